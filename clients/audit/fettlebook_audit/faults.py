"""What can be wrong with a book: how, where, what follows from it, and what to do."""

from collections.abc import Iterable
from dataclasses import asdict, dataclass
from typing import Any, Literal

How = Literal[
    "edited", "missing", "inserted", "reordered", "forked", "rolled back", "badly signed", "damaged", "differs"
]
MOST = 100  # faults told; more would not help

WHAT_TO_DO: dict[How, str] = {
    "edited": "ask who keeps the book for the entry as it was, and believe no answer that rests on it",
    "missing": "fetch again; what stays missing was taken out or lost: ask who keeps the book",
    "inserted": "ask who keeps the book where it came from",
    "reordered": "believe no order of events that rests on these entries",
    "forked": "keep both checkpoints, they prove it together; compare with others who have checkpoints of this book",
    "rolled back": "keep the longer checkpoint, it proves that there was more; ask for what is gone",
    "badly signed": "get the public key by another way than the book, and believe nothing that it has not signed",
    "damaged": "remove the file and fetch again; the signed root says what belongs there",
    "differs": "believe the entries; ask who keeps the book to redraw what is computed from them",
}


@dataclass
class Fault:
    """What is wrong: how, from which entry to which (both inclusive; none for a checkpoint), in words."""

    how: How
    first: int | None
    last: int | None
    says: str

    @property
    def where(self) -> str:
        if self.first is None:
            return "checkpoint"
        return f"entry {self.first}" if self.first == self.last else f"entries {self.first} to {self.last}"

    def line(self) -> str:
        return f"{self.how.upper()} {self.where}: {self.says}"

    def as_json(self) -> dict[str, Any]:
        return asdict(self) | {"do": WHAT_TO_DO[self.how]}


def told(faults: Iterable[Fault]) -> str:
    """A line for each fault, and once for each kind what to do."""
    found = list(faults)
    ways = dict.fromkeys(fault.how for fault in found)
    return "\n".join([*(f.line() for f in found), *(f"{how}: {WHAT_TO_DO[how]}" for how in ways)])
