"""A unit's state: what one page says by itself, folded from its facts (`fold`).

It holds the unit's own facts only. What joins units (tags' other wearers, gauges, sheets, alerts) is joined when a
question is answered. Its size depends on slots, characteristics and open matters, never on the number of entries.
"""

from collections.abc import Collection
from dataclasses import field
from datetime import datetime
from decimal import Decimal

from service_api.domain.matters import (
    Exam,
    Identity,
    Measured,
    Merged,
    Occupant,
    OpenComplaint,
    OpenConcession,
    OpenFinding,
    OpenHold,
    OpenJob,
    Plan,
    Raised,
    Rebuilt,
    Released,
    Retired,
    Signature,
    Since,
    StandRun,
    TagSpan,
    Whereabouts,
)
from service_api.domain.meters import MeterState
from service_api.domain.records import record, replace
from service_api.domain.sightings import Sighting
from service_api.domain.timeline import Key
from service_api.domain.twins import Told


@record(kw_only=True)
class UnitState:
    """Everything that one page says by itself.

    index : the highest index that had a say; head : the order key of the last fact taken in
    fits : the order keys of the fits of all that is in a slot now, in order
    remarks : what was remarked since the state was stored, and nobody can settle: it is kept beside the state, so that
        a state does not grow with entries
    Matters with a name stand in the order of their names, whatever came first.
    """

    unit: str
    entries: int = 0
    index: int = -1
    head_at: datetime | None = None
    head_seq: int = -1
    head_index: int = -1
    identity: Identity | None = None
    merged: Merged | None = None
    retired: Retired | None = None
    sold: Since | None = None
    out: Since | None = None
    place: Whereabouts | None = None
    tags: tuple[TagSpan, ...] = ()
    meters: dict[str, MeterState] = field(default_factory=dict)
    fits: tuple[Key, ...] = ()
    slots: dict[str, tuple[Occupant, ...]] = field(default_factory=dict)
    measured: dict[str, Measured] = field(default_factory=dict)
    findings: dict[str, OpenFinding] = field(default_factory=dict)
    jobs: dict[str, OpenJob] = field(default_factory=dict)
    last_job: OpenJob | None = None
    holds: dict[str, OpenHold] = field(default_factory=dict)
    concessions: dict[str, OpenConcession] = field(default_factory=dict)
    exams: dict[str, Exam] = field(default_factory=dict)
    complaints: dict[str, OpenComplaint] = field(default_factory=dict)
    plans: tuple[Plan, ...] = ()
    serviced: Since | None = None
    released: Released | None = None
    signatures: tuple[Signature, ...] = ()
    rebuilt: Rebuilt | None = None
    runs: tuple[StandRun, ...] = ()
    touches: dict[str, Key] = field(default_factory=dict)  # slot -> the order key of the last work on it
    seen: Sighting | None = None
    recent: tuple[Told, ...] = ()
    raised: dict[str, Raised] = field(default_factory=dict)
    remarks: tuple[Raised, ...] = ()

    @property
    def head(self) -> Key | None:
        return None if self.head_at is None else (self.head_at, self.head_seq, self.head_index)

    def doubted(self, code: str) -> bool:
        """A discrepancy of this code stands on the page."""
        return any(raised.code == code for raised in self.raised.values())

    @property
    def hours_meter(self) -> MeterState | None:
        """The meter whose uom is `h`; a class has one (CONTRACT D)."""
        for meter in self.meters.values():
            if meter.uom == "h":
                return meter
        return None

    @property
    def hours(self) -> tuple[Decimal, Decimal] | None:
        """The unit's hours as (low, high); None without a meter or before its first reading."""
        meter = self.hours_meter
        return meter.total if meter else None


def begin(unit: str) -> UnitState:
    return UnitState(unit=unit)


def without(state: UnitState, taken: Collection[str]) -> UnitState:
    """The state where the occupants of these entries are gone: a fit on another unit says where they went."""
    if not taken:
        return state
    slots = {slot: tuple(o for o in known if o.entry not in taken) for slot, known in state.slots.items()}
    return replace(state, slots=slots)


def witness(state: UnitState, index: int) -> UnitState:
    """The state after an entry that is no fact (a correction, a note): only the book has moved on."""
    return replace(state, index=max(state.index, index))
