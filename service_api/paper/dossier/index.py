"""Entries by their place in the book, as a reader follows them from page to page."""

from collections.abc import Iterable, Sequence
from typing import Any

from service_api.paper.entries import told

CORRECTIONS = (
    "entry.superseded", "entry.withdrawn", "entry.reattributed", "entry.annotated", "entry.disputed",
    "dispute.settled", "verdict.reassessed",
)  # fmt: skip


class Index:
    """The entries that the dossier tells, by id."""

    def __init__(self, lines: Iterable[dict[str, Any]]) -> None:
        self.known = {line["id"]: (line["index"], line["type"]) for line in lines}

    def number(self, ident: str | None) -> str:
        """An entry by its index in the book; one of another page by its id."""
        if ident is None:
            return ""
        return f"#{self.known[ident][0]}" if ident in self.known else ident

    def numbers(self, idents: Sequence[str]) -> str:
        return ", ".join(map(self.number, idents))

    def says(self, line: dict[str, Any]) -> list[str]:
        """What an entry says; a correction without its target, which its number names, new data in their words."""
        data = line["data"]
        if line["type"] not in CORRECTIONS or "target" not in data:
            return told(line["type"], data)
        rest = {name: value for name, value in data.items() if name not in ("target", "data")}
        lines = told(line["type"], rest)
        if isinstance(data.get("data"), dict):
            _, type_ = self.known.get(data["target"], (None, ""))
            lines += [f"instead: {words}" for words in told(type_, data["data"])]
        return lines
