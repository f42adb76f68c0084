"""What goes through one transaction of the recorder: requests, the batch that is judged, and what became of it."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Literal

from sqlalchemy import Connection

from service_api.domain.context import SheetRevision
from service_api.domain.entry import Recorded
from service_api.domain.matters import Raised, told
from service_api.domain.records import record
from service_api.domain.refusals import Refusal
from service_api.domain.slips import Slip
from service_api.domain.state import UnitState
from service_api.late import Tail
from service_api.log.store import Head
from service_api.permits import Roles, Sender
from service_api.projections.units import Page
from service_api.wire.entries import Draft


@record
class Outcome:
    """What became of one entry: recorded, the same again, refused, or spared because a neighbour was refused (strict).

    answer : the recorded entry with its receipt, as JSON text
    """

    id: str | None
    status: Literal["recorded", "again", "refused", "spared"]
    answer: bytes | None = None
    refusal: Refusal | None = None
    index: int | None = None


Submission = Draft | Refusal
# What a decision adds to its draft, computed under the lock from all that is in the book; raises Refusal
Decide = Callable[[Connection, Draft, Head], Draft]


@record
class Request:
    """decide : the one submission is a decision; it goes through a transaction of its own"""

    submissions: Sequence[Submission]
    sender: Sender
    strict: bool
    decide: Decide | None = None


@dataclass
class Batch:
    """One transaction's worth of work, thrown away when it fails."""

    head: Head
    recorded_at: str
    outcomes: list[list[Outcome | Recorded]] = field(default_factory=list)
    accepted: list[tuple[Draft, Recorded, bytes]] = field(default_factory=list)
    by_id: dict[str, Recorded] = field(default_factory=dict)
    digests: dict[str, bytes] = field(default_factory=dict)
    pages: dict[str, Page] = field(default_factory=dict)
    states: dict[str, UnitState] = field(default_factory=dict)  # before the batch
    known_units: set[str] = field(default_factory=set)
    classes: dict[str, str] = field(default_factory=dict)  # of the units that it registers
    issued: dict[str, list[SheetRevision]] = field(default_factory=dict)  # class -> the sheets that it issues
    roles: dict[str, Roles] = field(default_factory=dict)  # of the people who are named, as far as they are known
    signed_in: dict[str, frozenset[str]] = field(default_factory=dict)  # device -> who has a session there
    slips: dict[str, Slip] = field(default_factory=dict)  # the newest of each device that it moved on
    roots: dict[str, Recorded] = field(default_factory=dict)  # correction -> the fact at its root

    def mark(self) -> tuple[int, dict[str, Page], set[str]]:
        """Where the batch stands, for `back_to`."""
        return len(self.accepted), dict(self.pages), set(self.known_units)

    def back_to(self, mark: tuple[int, dict[str, Page], set[str]]) -> None:
        """Undo what was accepted since: a strict request is all or nothing, and its neighbours do not notice."""
        count, self.pages, self.known_units = mark
        for _, entry, _ in self.accepted[count:]:
            del self.by_id[entry.id], self.digests[entry.id]
            self.roots.pop(entry.id, None)
            if entry.type == "unit.registered":
                del self.classes[entry.subject_id]
            elif entry.type == "sheet.issued":
                self.issued[entry.subject_id].pop()
        del self.accepted[count:]

    def changed_pages(self) -> dict[str, Page]:
        return {entry.subject: self.pages[entry.subject] for _, entry, _ in self.accepted}


@dataclass
class Drawn:
    """The touched units' states before and after a batch, and what was remarked of it: by unit."""

    before: dict[str, UnitState] = field(default_factory=dict)
    after: dict[str, UnitState] = field(default_factory=dict)
    remarks: dict[str, list[Raised]] = field(default_factory=dict)
    tails: dict[str, Tail | None] = field(default_factory=dict)

    def raised(self, unit: str) -> list[Raised]:
        """What the batch raised on the unit, in the order of the moments."""
        known = self.before[unit].raised
        fresh = [r for key, r in self.after[unit].raised.items() if key not in known]
        return told([*fresh, *self.remarks.get(unit, ())])


@record
class Done:
    """What a transaction brought about, to be kept once it is committed."""

    head: Head
    drawn: Drawn
    answers: dict[str, bytes]
    sheets: set[str]


def refused(refusal: Refusal, ident: str | None) -> Outcome:
    return Outcome(ident or getattr(refusal, "ident", None), "refused", refusal=refusal)


def spared(outcome: Outcome | Recorded) -> Outcome:
    """The outcome of a neighbour of a refused entry in a strict request."""
    if isinstance(outcome, Outcome) and outcome.status == "refused":
        return outcome
    return Outcome(outcome.id, "spared")
