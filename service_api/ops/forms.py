"""The form of each text, and what the book knows under its id."""

import re
from collections.abc import Sequence
from hashlib import sha256
from typing import Any

import orjson

from service_api.log import driver
from service_api.ops.wrongs import Wrongs
from service_api.wire.canonical import entry_text

ADDED = ("index", "seq", "recorded_at", "recorded_by", "signed")
COMPLETED = ("unit.released", "release.reissued")  # the service puts a certificate into what the client sent
_IDS = "SELECT id, digest, log_index FROM entry_id WHERE book = ? AND id IN ({})"


class Forms:
    """Whether each text is in canonical form, and is what was sent under its id."""

    def __init__(self, ask: driver.Ask, book: int, wrongs: Wrongs) -> None:
        self.ask, self.book, self.wrongs = ask, book, wrongs

    def read(self, first: int, texts: Sequence[bytes]) -> None:
        read: dict[bytes, tuple[int, dict[str, Any]]] = {}
        for index, text in enumerate(texts, first):
            try:
                entry = orjson.loads(text)
                if entry_text(entry) != text or (_fraction_in(text) and _has_fraction(entry)):
                    self.wrongs.add("edited", index, "its text is not in canonical form")
                read[bytes.fromhex(entry["id"].replace("-", ""))] = index, entry
            except (ValueError, KeyError, TypeError, AttributeError):
                self.wrongs.add("edited", index, "it is no entry")
        self._ids(read)

    def _ids(self, read: dict[bytes, tuple[int, dict[str, Any]]]) -> None:
        rows = self.ask(_IDS.format(", ".join("?" * len(read))), (self.book, *read)) if read else []
        kept = {bytes(ident): (bytes(digest), index) for ident, digest, index in rows}
        for ident, (index, entry) in read.items():
            found = kept.get(ident)
            if found is None:
                self.wrongs.add("missing", index, "the store does not know its id: it could be recorded twice")
            elif found[1] != index:
                self.wrongs.add("reordered", index, f"its id stands for entry {found[1]}")
            elif entry.get("type") not in COMPLETED and found[0] != _sent(entry):
                self.wrongs.add("edited", index, "what was sent under its id is another than its text")


def _sent(entry: dict[str, Any]) -> bytes:
    """The digest of what the client sent: the book's own members, which were added to it (DESIGN 4), are taken out."""
    for name in ADDED:
        entry.pop(name, None)
    return sha256(entry_text(entry)).digest()


# A number with a fraction, or text that looks like one; each begins with what can be looked for quickly
_FRACTIONS = [re.compile(mark + rb"-?\d+[.eE]") for mark in (rb'":', rb",", rb"\[")]


def _fraction_in(text: bytes) -> bool:
    return any(each.search(text) for each in _FRACTIONS)


def _has_fraction(value: Any) -> bool:
    if isinstance(value, dict):
        return any(map(_has_fraction, value.values()))
    return any(map(_has_fraction, value)) if isinstance(value, list) else isinstance(value, float)
