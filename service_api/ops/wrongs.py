"""What `verify` finds wrong, in the words of the auditor."""

from collections.abc import Iterable
from dataclasses import asdict, dataclass
from typing import Any, Literal

How = Literal[
    "edited",
    "missing",
    "inserted",
    "reordered",
    "forked",
    "rolled back",
    "badly signed",
    "damaged",
    "unsealed",
    "stale",
]
MOST = 100  # told; more would not help

WHAT_TO_DO: dict[How, str] = {
    "edited": "restore a backup and compare its root with one that somebody holds",
    "missing": "restore a backup and compare its root with one that somebody holds",
    "inserted": "find out who writes to the store beside the service",
    "reordered": "find out who writes to the store beside the service",
    "forked": "the paper and this book cannot both be true: ask whoever holds the paper, and look at the backups",
    "rolled back": "a newer state existed: find it, and never serve this one again",
    "badly signed": "ask where the paper came from; `fettlebook key list` names the book's keys",
    "damaged": "restore a backup; what the log says stands without this",
    "unsealed": "find out who took the seal off; migrate a fresh store and copy the log, or restore a backup",
    "stale": "fettlebook redraw",
}


@dataclass(frozen=True)
class Wrong:
    """how : in the auditor's words; `unsealed` of the triggers, `stale` of what is computed
    first, last : indexes, both inclusive; none where no entry is meant
    """

    how: How
    first: int | None
    last: int | None
    says: str

    def line(self) -> str:
        where = "" if self.first is None else f" entry {self.first}"
        if self.first != self.last:
            where = f" entries {self.first} to {self.last}"
        return f"{self.how.upper()}{where}: {self.says}"

    def as_json(self) -> dict[str, Any]:
        return asdict(self) | {"do": WHAT_TO_DO[self.how]}


class Wrongs(list[Wrong]):
    """The first of what is wrong."""

    def add(self, how: How, at: int | None, says: str, last: int | None = None) -> None:
        if len(self) < MOST:
            self.append(Wrong(how, at, at if last is None else last, says))


def told(wrongs: Iterable[Wrong]) -> list[str]:
    """A line for each, and once for each kind what would put it right."""
    found = list(wrongs)
    ways = dict.fromkeys(wrong.how for wrong in found)
    return [*(wrong.line() for wrong in found), *(f"{how}: {WHAT_TO_DO[how]}" for how in ways)]
