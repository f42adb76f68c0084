"""What stands in a unit's state: labels, parts, readings and open matters, each with the entry that began it."""

from collections.abc import Iterable
from dataclasses import field
from datetime import datetime
from decimal import Decimal
from typing import Protocol, TypeVar

from service_api.domain.entries.jobs import Reading, RunRecorded
from service_api.domain.entries.releases import ConcessionFor, RebuildScope
from service_api.domain.entries.shared import Piece
from service_api.domain.forms import Quantity, Unknown
from service_api.domain.records import record
from service_api.domain.timeline import Key


class Matter(Protocol):
    @property
    def at(self) -> datetime: ...


M = TypeVar("M", bound=Matter)


@record(kw_only=True)
class Raised:
    """A contradiction or remark that stands on the unit. `entry`, which happened at `at`, raised it.

    index : the last entry of the book that had a say in it
    """

    code: str
    entry: str
    at: datetime
    entries: tuple[str, ...]
    detail: str
    index: int = -1
    slot: str | None = None
    type: str | None = None  # of the entry, where only a new entry of the same type ends it

    @property
    def key(self) -> str:
        return f"{self.code}:{self.entry}"


@record(kw_only=True)
class RunAfter:
    """A final run after a release: whether it failed is judged with the sheet."""

    entry: str
    run: RunRecorded


@record(kw_only=True)
class Since:
    """A standing matter: which entry began it, when, and at how many hours of the unit.

    defects, runs, hire_until : where the matter is a dispatch, the checks answered `defect` and the final runs between
        the release and it, and the last day of the hire
    """

    entry: str
    at: datetime
    hours: Decimal | None = None
    defects: tuple[str, ...] = ()
    runs: tuple[RunAfter, ...] = ()
    hire_until: str | None = None


@record(kw_only=True)
class Retired:
    """The first retirement. harvest : the slots from which parts may be taken; None where nobody said."""

    entry: str
    at: datetime
    harvest: tuple[str, ...] | None = None


@record(kw_only=True)
class Identity:
    """earlier : the SHA-256 of the bundle that the unit brought along from another book"""

    entry: str
    at: datetime
    class_: str
    origin: str
    family: str | None = None
    serial: str | None = None
    owner: str | None = None
    variant: str | None = None
    name: str | None = None
    plate: str | None = None
    earlier: str | None = None


@record(kw_only=True)
class Merged:
    """The page of `into` and this one are one iron."""

    entry: str
    at: datetime
    into: str


@record(kw_only=True)
class TagSpan:
    """A label that points to this unit for a time."""

    tag: str
    since: datetime
    entry: str
    until: datetime | None = None
    until_entry: str | None = None
    why: str | None = None


@record(kw_only=True)
class Whereabouts:
    site: str | None = None
    bench: str | None = None
    party: str | None = None
    since: datetime
    entry: str


@record(kw_only=True)
class Occupant:
    """What was fitted into a slot, and the unit's hours then (low, high); `order` breaks ties of the moment.

    came_from : the unit that it was taken from, where the fit says so
    """

    entry: str
    since: datetime
    order: tuple[int, int]
    pieces: tuple[Piece, ...]
    hours_low: Decimal | None = None
    hours_high: Decimal | None = None
    replaced: bool = False  # something was taken out of the slot before
    came_from: str | None = None

    @property
    def key(self) -> Key:
        return (self.since, *self.order)


@record(kw_only=True)
class Taken:
    """A reading as it counts. `order` breaks ties of the moment, `corrected_by` are its corrections.

    touched : slots that were worked on since the reading before; lifted : codes of what it raised that somebody lifted
    """

    entry: str
    index: int
    at: datetime
    order: tuple[int, int]
    occurred_at: str
    by: str
    stage: str
    uom: str
    readings: tuple[Reading, ...]
    gauge: str | None = None
    uncertainty: Quantity | Unknown | None = None
    sheet_rev: int | None = None
    corrected_by: tuple[str, ...] = ()
    device: str | None = None
    touched: tuple[str, ...] = ()
    lifted: tuple[str, ...] = ()

    @property
    def key(self) -> Key:
        return (self.at, *self.order)


@record(kw_only=True)
class Measured:
    """One characteristic: the latest reading and a few before it, the latest as left, and the first as left of the
    unit and after the fit of each part that is in it now.
    """

    latest: Taken
    before: tuple[Taken, ...] = ()
    as_left: Taken | None = None
    firsts: tuple[Taken, ...] = ()


@record(kw_only=True)
class OpenFinding:
    finding: str
    entry: str
    at: datetime
    words: str
    blocking: bool
    index: int = -1
    slot: str | None = None
    mode: str | None = None
    mechanism: str | None = None
    cause: str | None = None
    confidence: str | None = None


@record(kw_only=True)
class Answered:
    entry: str
    answer: str
    why: str | None = None


@record(kw_only=True)
class OpenJob:
    job: str
    purpose: str
    entry: str
    at: datetime
    checks: dict[str, Answered] = field(default_factory=dict)


@record(kw_only=True)
class OpenHold:
    hold: str
    entry: str
    at: datetime
    why: str
    lift_by: str
    index: int = -1


@record(kw_only=True)
class OpenConcession:
    concession: str
    entry: str
    at: datetime
    for_: ConcessionFor
    why: str
    until_on: str | None = None
    until_hours: Quantity | Unknown | None = None


@record(kw_only=True)
class Exam:
    exam: str
    entry: str
    at: datetime
    result: str
    due_next: str | Unknown | None = None
    examiner: str | None = None
    certificate: str | None = None


@record(kw_only=True)
class OpenComplaint:
    complaint: str
    entry: str
    at: datetime
    words: str
    mode: str
    slot: str | None = None
    stop_use: bool | None = None


@record(kw_only=True)
class Plan:
    entry: str
    at: datetime
    due_on: str | Unknown | None = None
    due_hours: Quantity | Unknown | None = None


@record(kw_only=True)
class Released:
    """The last release, and the first fact after it that takes the unit out of `ready`.

    nth : its `device.seq`, which orders what has the same moment
    gated : the gate was asked before it was signed; past : it was brought in from before the book
    unheard : the last entry that told of, or changed, something from before it after it was recorded; -1 for none
    duplicates : entries of releases for the same job that were signed without knowing of this one
    defects, runs : checks answered `defect` and final runs since, by which it may no longer be ready
    """

    release: str
    entry: str
    at: datetime
    proved: bool
    index: int = -1
    nth: int = -1
    gated: bool = False
    past: bool = False
    unheard: int = -1
    job: str | None = None
    duplicates: tuple[str, ...] = ()
    disturbed: str | None = None
    disturbed_why: str | None = None
    defects: dict[str, str] = field(default_factory=dict)  # check -> entry
    runs: tuple[RunAfter, ...] = ()

    @property
    def key(self) -> Key:
        return (self.at, self.nth, self.index)


@record(kw_only=True)
class Rebuilt:
    """The last rebuild, the unit's hours at it, and which one it was, counted from 1; and what became of each slot."""

    entry: str
    at: datetime
    count: int
    hours_low: Decimal | None = None
    hours_high: Decimal | None = None
    standard: str | None = None
    scope: tuple[RebuildScope, ...] = ()


@record(kw_only=True)
class StandRun:
    """A run on the stand as far as its conditions go."""

    run: str
    entry: str
    at: datetime
    stage: str
    sheet_rev: int
    conditions: dict[str, Quantity | Unknown | str]
    tests: tuple[str, ...]


@record(kw_only=True)
class Signature:
    """Who signed a release."""

    entry: str
    at: datetime
    by: str
    second: str | None = None


def by_moment(matters: Iterable[M]) -> list[M]:
    """Open matters in the order in which they came up."""
    return sorted(matters, key=lambda matter: matter.at)


def told(raised: Iterable[Raised]) -> list[Raised]:
    """What was raised, in the one order in which it is told."""
    return sorted(raised, key=lambda r: (r.at, r.entry, r.code))
