"""A unit's state: a pure fold over the facts of its own page, in the order of the corrected moment.

It holds the unit's own facts only. What joins units (tags' other wearers, gauges, sheets, alerts) is joined when a
question is answered. Its size depends on slots, characteristics and open matters, never on the number of entries.
"""

from collections.abc import Callable, Collection, Iterable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from decimal import Decimal
from typing import Any, Literal, Protocol, TypeVar

from service_api.calc.uom import WrongDimension
from service_api.domain import entries as e
from service_api.domain import meters, sightings, tags, twins
from service_api.domain.discrepancies import KINDS, REMARKS
from service_api.domain.forms import Quantity, Unknown
from service_api.domain.meters import MeterState
from service_api.domain.records import replace
from service_api.domain.sightings import Sighting
from service_api.domain.timeline import Item, Key
from service_api.domain.twins import Told

LATE_DAYS = 7  # between the two clocks (CONTRACT B)
TRAIL = 2  # readings before the latest that are kept to compare with
RUNS = 4  # stand runs that are kept to be judged by their conditions
SIGNATURES = 4  # releases whose signatures are kept to be judged by the authorisations of their day
LOOKING = ("AC-INS", "AC-MEA", "AC-TST", "AC-NIL")  # work that changes nothing
ANYWHERE = "*"  # work and settings that name no slot may have touched any
AFTER_SCRAP = ("hold.lifted", "part.removed")  # what may happen to a retired unit: a review's end, a harvest

V = TypeVar("V")


class Matter(Protocol):
    @property
    def at(self) -> datetime: ...


M = TypeVar("M", bound=Matter)


@dataclass(frozen=True, kw_only=True, repr=False)
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


@dataclass(frozen=True, kw_only=True, repr=False)
class Since:
    """A standing matter: which entry began it, when, and at how many hours of the unit.

    defects : checks answered `defect` between the release and the dispatch, where the matter is a dispatch
    """

    entry: str
    at: datetime
    hours: Decimal | None = None
    defects: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True, repr=False)
class Identity:
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


@dataclass(frozen=True, kw_only=True, repr=False)
class TagSpan:
    """A label that points to this unit for a time."""

    tag: str
    since: datetime
    entry: str
    until: datetime | None = None
    until_entry: str | None = None
    why: str | None = None


@dataclass(frozen=True, kw_only=True, repr=False)
class Whereabouts:
    site: str | None = None
    bench: str | None = None
    party: str | None = None
    since: datetime
    entry: str


@dataclass(frozen=True, kw_only=True, repr=False)
class Occupant:
    """What was fitted into a slot, and the unit's hours then (low, high); `order` breaks ties of the moment."""

    entry: str
    since: datetime
    order: tuple[int, int]
    pieces: tuple[e.Piece, ...]
    hours_low: Decimal | None = None
    hours_high: Decimal | None = None
    replaced: bool = False  # something was taken out of the slot before

    @property
    def key(self) -> Key:
        return (self.since, *self.order)


@dataclass(frozen=True, kw_only=True, repr=False)
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
    readings: tuple[e.Reading, ...]
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


@dataclass(frozen=True, kw_only=True, repr=False)
class Measured:
    """One characteristic: the latest reading and a few before it, the latest as left, and the first as left of the
    unit and after the fit of each part that is in it now.
    """

    latest: Taken
    before: tuple[Taken, ...] = ()
    as_left: Taken | None = None
    firsts: tuple[Taken, ...] = ()


@dataclass(frozen=True, kw_only=True, repr=False)
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


@dataclass(frozen=True, kw_only=True, repr=False)
class Answered:
    entry: str
    answer: str
    why: str | None = None


@dataclass(frozen=True, kw_only=True, repr=False)
class OpenJob:
    job: str
    purpose: str
    entry: str
    at: datetime
    checks: dict[str, Answered] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True, repr=False)
class OpenHold:
    hold: str
    entry: str
    at: datetime
    why: str
    lift_by: str
    index: int = -1


@dataclass(frozen=True, kw_only=True, repr=False)
class OpenConcession:
    concession: str
    entry: str
    at: datetime
    for_: e.ConcessionFor
    why: str
    until_on: str | None = None
    until_hours: Quantity | Unknown | None = None


@dataclass(frozen=True, kw_only=True, repr=False)
class Exam:
    exam: str
    entry: str
    at: datetime
    result: str
    due_next: str | Unknown | None = None


@dataclass(frozen=True, kw_only=True, repr=False)
class OpenComplaint:
    complaint: str
    entry: str
    at: datetime
    words: str
    mode: str
    slot: str | None = None
    stop_use: bool | None = None


@dataclass(frozen=True, kw_only=True, repr=False)
class Plan:
    entry: str
    at: datetime
    due_on: str | Unknown | None = None
    due_hours: Quantity | Unknown | None = None


@dataclass(frozen=True, kw_only=True, repr=False)
class Released:
    """The last release, and the first fact after it that takes the unit out of `ready`.

    duplicates : entries of releases for the same job that were signed without knowing of this one
    """

    release: str
    entry: str
    at: datetime
    proved: bool
    index: int = -1
    job: str | None = None
    duplicates: tuple[str, ...] = ()
    disturbed: str | None = None
    disturbed_why: str | None = None
    defects: dict[str, str] = field(default_factory=dict)  # check -> entry, since the release


@dataclass(frozen=True, kw_only=True, repr=False)
class Rebuilt:
    """The last rebuild, the unit's hours at it, and which one it was, counted from 1."""

    entry: str
    at: datetime
    count: int
    hours_low: Decimal | None = None
    hours_high: Decimal | None = None


@dataclass(frozen=True, kw_only=True, repr=False)
class StandRun:
    """A run on the stand as far as its conditions go."""

    run: str
    entry: str
    at: datetime
    stage: str
    sheet_rev: int
    conditions: dict[str, Quantity | Unknown | str]
    tests: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, repr=False)
class Signature:
    """Who signed a release."""

    entry: str
    at: datetime
    by: str
    second: str | None = None


@dataclass(frozen=True, kw_only=True, repr=False)
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
    retired: Since | None = None
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
        return next((m for m in self.meters.values() if m.uom == "h"), None)

    @property
    def hours(self) -> tuple[Decimal, Decimal] | None:
        """The unit's hours as (low, high); None without a meter or before its first reading."""
        meter = self.hours_meter
        return meter.total if meter else None


def begin(unit: str) -> UnitState:
    return UnitState(unit=unit)


def step(state: UnitState, item: Item) -> UnitState:
    """The state after one more fact. Facts come in the order of the corrected moment."""
    entry = item.entry
    after = replace(
        state,
        entries=state.entries + 1,
        index=max(state.index, item.touched),
        head_at=item.at,
        head_seq=entry.device_seq,
        head_index=entry.index,
    )
    after = _remark(after, item)
    handler = HANDLERS.get(entry.type)
    return handler(after, item, item.body) if handler else after


def by_moment(matters: Iterable[M]) -> list[M]:
    """Open matters in the order in which they came up."""
    return sorted(matters, key=lambda matter: matter.at)


def told(raised: Iterable[Raised]) -> list[Raised]:
    """What was raised, in the one order in which it is told."""
    return sorted(raised, key=lambda r: (r.at, r.entry, r.code))


def without(state: UnitState, taken: Collection[str]) -> UnitState:
    """The state where the occupants of these entries are gone: a fit on another unit says where they went."""
    if not taken:
        return state
    slots = {slot: tuple(o for o in known if o.entry not in taken) for slot, known in state.slots.items()}
    return replace(state, slots=slots)


def witness(state: UnitState, index: int) -> UnitState:
    """The state after an entry that is no fact (a correction, a note): only the book has moved on."""
    return replace(state, index=max(state.index, index))


# What holds for every entry


def _raise(
    state: UnitState,
    item: Item,
    code: str,
    detail: str,
    *others: str,
    slot: str | None = None,
    type: str | None = None,
) -> UnitState:
    raised = Raised(
        code=code,
        entry=item.entry.id,
        at=item.at,
        entries=tuple(dict.fromkeys((*others, item.entry.id))),
        detail=detail,
        index=item.touched,
        slot=slot,
        type=type,
    )
    if code in REMARKS:
        return replace(state, remarks=(*state.remarks, raised))
    return replace(state, raised=_with(state.raised, raised.key, raised))


def _with(known: dict[str, V], name: str, value: V) -> dict[str, V]:
    """The same with one more, in the order of the names."""
    after = known | {name: value}
    return after if name in known else dict(sorted(after.items()))


def _without(known: dict[str, V], name: str) -> dict[str, V]:
    return {k: v for k, v in known.items() if k != name}


def _settle(state: UnitState, *keys: str) -> UnitState:
    return replace(state, raised={k: r for k, r in state.raised.items() if k not in keys})


def _remark(state: UnitState, item: Item) -> UnitState:
    entry = item.entry
    late = entry.heard - item.at
    if late > timedelta(days=LATE_DAYS) and entry.source_kind not in ("history", "import"):
        state = _raise(state, item, "late-typed", f"heard of {late.days} days after it happened")
        if entry.type == "gauge.calibrated":
            detail = "a certificate of that day, heard of later: what was known until then stays so"
            state = _raise(state, item, "certificate-backdated", detail)
    if item.at > entry.heard:
        state = _raise(state, item, "clock-ahead", f"happened at {entry.occurred_at}, heard of at {entry.recorded_at}")
    if state.identity is None and entry.type != "unit.registered":
        state = _raise(state, item, "before-registered", "happened before the unit had a page here")
    if state.retired is not None and entry.type not in AFTER_SCRAP:
        state = _raise(state, item, "scan-after-scrap", "seen again after it was retired", state.retired.entry)
    signed = entry.signed
    if signed and "none" in (signed.by, signed.second):
        who = " and ".join(w for w, s in (("by", signed.by), ("second", signed.second)) if s == "none")
        detail = f"the signature of `{who}` was given without a session"
        state = _raise(state, item, "signature-unproved", detail, type=entry.type)
    elif signed:
        same = (k for k, r in state.raised.items() if r.code == "signature-unproved" and r.type == entry.type)
        state = _settle(state, *same)
    if item.rivals:
        rivals = tuple(r.id for r in item.rivals)
        state = _raise(state, item, "correction-contested", "two corrections contradict each other", *rivals)
    if item.dispute is not None:
        state = _raise(state, item, "disputed", item.dispute.data["why"], item.dispute.id)
    if entry.type in twins.TOLD_ONCE:
        recent, twice = twins.twins(state.recent, twins.told(item))
        state = replace(state, recent=recent)
        if twice:
            detail = f"the same {entry.type} within half an hour, by another person or from another device"
            state = _raise(state, item, "duplicate-suspected", detail, *twice)
    if state.out is not None and not state.doubted("return-not-booked"):
        sent_to = state.place.site if state.place else None
        if sightings.here(entry, sent_to):
            state = _raise(state, item, "return-not-booked", "it is at hand, and out by the book", state.out.entry)
    return _sighted(state, item) if sightings.scanned(entry) else state


def _sighted(state: UnitState, item: Item, said: str | None = None, explained: bool = False) -> UnitState:
    """The unit was seen at a site. A move that somebody wrote down explains itself."""
    site = said or item.entry.site
    if site is None or item.entry.source_kind != "live":
        return state
    before = state.seen
    state = replace(state, seen=Sighting(site=site, at=item.at, entry=item.entry.id))
    if before is None or explained or not sightings.too_soon(before, site, item.at):
        return state
    minutes = int((item.at - before.at).total_seconds() // 60)
    detail = f"at {before.site} and at {site} within {minutes} minutes: a copied tag, a swap, or times that are wrong?"
    return _raise(state, item, "place-impossible", detail, before.entry)


def _touch(state: UnitState, item: Item, *slots: str) -> UnitState:
    for slot in slots:
        state = replace(state, touches=_with(state.touches, slot, item.key))
    return state


# Handlers: one per type that moves the state

Handler = Callable[[UnitState, Item, Any], UnitState]
HANDLERS: dict[str, Handler] = {}


def on(*names: str) -> Callable[[Handler], Handler]:
    def register(handler: Handler) -> Handler:
        HANDLERS.update(dict.fromkeys(names, handler))
        return handler

    return register


def _disturb(state: UnitState, item: Item, why: str) -> UnitState:
    """The unit is no longer as it was released."""
    if state.released is None or state.released.disturbed is not None:
        return state
    return replace(state, released=replace(state.released, disturbed=item.entry.id, disturbed_why=why))


@on("unit.registered")
def _registered(state: UnitState, item: Item, body: e.UnitRegistered) -> UnitState:
    identity = Identity(
        entry=item.entry.id,
        at=item.at,
        class_=body.class_,
        origin=body.origin,
        family=body.family,
        serial=body.serial,
        owner=body.owner,
        variant=body.variant,
        name=body.name,
        plate=body.plate,
    )
    state = replace(state, identity=identity)
    for meter in body.meters or ():
        known = state.meters.get(meter.meter) or MeterState(meter=meter.meter, uom=meter.uom)
        known = replace(known, uom=meter.uom, rolls_at=meter.rolls_at)
        if meter.start is not None and known.last is None:
            known = replace(known, last=meter.start, last_at=item.at, last_entry=item.entry.id, links=(item.entry.id,))
        state = replace(state, meters=state.meters | {meter.meter: known})
    if state.place is None and item.entry.site:
        place = Whereabouts(site=item.entry.site, bench=item.entry.bench, since=item.at, entry=item.entry.id)
        state = replace(state, place=place)
    return state


@on("tag.attached")
def _tag_attached(state: UnitState, item: Item, body: e.TagAttached) -> UnitState:
    tag = tags.normal(body.tag)
    kept = tuple(t for t in state.tags if not (t.tag == tag and t.until is None))
    return replace(state, tags=(*kept, TagSpan(tag=tag, since=item.at, entry=item.entry.id)))


@on("tag.detached")
def _tag_detached(state: UnitState, item: Item, body: e.TagDetached) -> UnitState:
    tag = tags.normal(body.tag)
    worn = tuple(
        replace(t, until=item.at, until_entry=item.entry.id, why=body.why) if t.tag == tag and t.until is None else t
        for t in state.tags
    )
    return replace(state, tags=worn)


@on("unit.received")
def _received(state: UnitState, item: Item, body: e.UnitReceived) -> UnitState:
    place = Whereabouts(site=body.site, bench=item.entry.bench, since=item.at, entry=item.entry.id)
    state = _sighted(replace(state, out=None, sold=None, place=place), item, body.site)
    ended = [k for k, r in state.raised.items() if r.code in ("return-not-booked", "dispatched-unreleased")]
    return _disturb(_settle(state, *ended), item, "received")


@on("unit.dispatched")
def _dispatched(state: UnitState, item: Item, body: e.UnitDispatched) -> UnitState:
    released = state.released
    held = bool(state.holds) or any(KINDS[r.code].holds_release for r in state.raised.values())
    ready = released is not None and released.proved and released.disturbed is None and not held
    here = Since(entry=item.entry.id, at=item.at, defects=tuple(released.defects) if released else ())
    place = Whereabouts(party=body.to, site=body.site, since=item.at, entry=item.entry.id)
    state = replace(state, out=here, place=place, seen=None)
    if not ready and item.entry.source_kind not in ("history", "import"):
        state = _raise(state, item, "dispatched-unreleased", "it went out without being ready")
    return state


@on("unit.moved")
def _moved(state: UnitState, item: Item, body: e.UnitMoved) -> UnitState:
    place = Whereabouts(site=body.site, bench=body.bench, since=item.at, entry=item.entry.id)
    return _sighted(replace(state, place=place), item, body.site, explained=True)


@on("unit.sold")
def _sold(state: UnitState, item: Item, body: e.UnitSold) -> UnitState:
    here = Since(entry=item.entry.id, at=item.at)
    if state.identity is not None:
        state = replace(state, identity=replace(state.identity, owner=body.to))
    place = Whereabouts(party=body.to, since=item.at, entry=item.entry.id)
    return replace(state, sold=here, out=here, place=place)


@on("unit.retired")
def _retired(state: UnitState, item: Item, body: e.UnitRetired) -> UnitState:
    return replace(state, retired=Since(entry=item.entry.id, at=item.at))


# Meters


def _doubts(state: UnitState, item: Item, doubts: list[meters.Doubt]) -> UnitState:
    for doubt in doubts:
        state = _raise(state, item, doubt.code, doubt.detail, *doubt.entries)
    return state


def _meter(state: UnitState, name: str, value: Any) -> MeterState:
    uom = value.uom if isinstance(value, Quantity) else "h"
    return state.meters.get(name) or MeterState(meter=name, uom=uom)


def _with_meter(state: UnitState, meter: MeterState) -> UnitState:
    return replace(state, meters=state.meters | {meter.meter: meter})


@on("meter.read")
def _meter_read(state: UnitState, item: Item, body: e.MeterRead) -> UnitState:
    meter = _meter(state, body.meter, body.value)
    try:
        low = meters.amount(body.value, meter.uom)
        high = None
        if body.range is not None:
            low, high = (meters.amount(bound, meter.uom) for bound in body.range)
    except WrongDimension as error:
        return _raise(state, item, "meter-gap", str(error))
    if low is None:
        return state
    meter, doubts = meters.read(meter, low, item.at, item.entry.id, body.how, high)
    return _doubts(_with_meter(state, meter), item, doubts)


@on("meter.replaced")
def _meter_replaced(state: UnitState, item: Item, body: e.MeterReplaced) -> UnitState:
    meter = _meter(state, body.meter, body.new_start)
    try:
        new_start = meters.amount(body.new_start, meter.uom)
        bounds = [meters.amount(bound, meter.uom) for bound in body.old_range or ()]
        old_final = meters.amount(body.old_final, meter.uom)
    except WrongDimension as error:
        return _raise(state, item, "meter-gap", str(error))
    old_range = (bounds[0], bounds[1]) if len(bounds) == 2 and None not in bounds else None
    meter, doubts = meters.replaced(
        meter,
        old_final,
        new_start or Decimal(0),
        item.at,
        item.entry.id,
        old_range,  # type: ignore[arg-type]
    )
    return _doubts(_with_meter(state, meter), item, doubts)


@on("meter.rolled")
def _meter_rolled(state: UnitState, item: Item, body: e.MeterRolled) -> UnitState:
    meter = _meter(state, body.meter, body.at)
    try:
        at = meters.amount(body.at, meter.uom)
    except WrongDimension as error:
        return _raise(state, item, "meter-gap", str(error))
    count = at if at is not None else meter.rolls_at
    if count is None:
        return _raise(state, item, "meter-gap", "the count at which it rolled is not known")
    return _with_meter(state, meters.rolled(meter, count, item.at, item.entry.id))


def _hours_shown(state: UnitState, item: Item, hours: Any, how: Literal["read", "estimated"]) -> UnitState:
    """Hours that came with another entry count as a reading of the hours meter (CONTRACT D)."""
    if not isinstance(hours, Quantity):
        return state
    meter = state.hours_meter
    if meter is None:
        if state.meters:
            return state
        meter = MeterState(meter="hours", uom="h")
    try:
        count = meters.amount(hours, meter.uom)
    except WrongDimension as error:
        return _raise(state, item, "meter-gap", str(error))
    if count is None:
        return state
    after, doubts = meters.read(meter, count, item.at, item.entry.id, how)
    if how == "estimated" and doubts:  # a customer's figure that something contradicts is no reading
        return state
    return _doubts(_with_meter(state, after), item, doubts)


# Complaints, jobs, checks, findings


@on("complaint.reported")
def _complaint(state: UnitState, item: Item, body: e.ComplaintReported) -> UnitState:
    state = _hours_shown(state, item, body.hours, "estimated")
    known = OpenComplaint(
        complaint=body.complaint,
        entry=item.entry.id,
        at=item.at,
        words=body.words,
        mode=body.mode,
        slot=body.slot,
        stop_use=body.stop_use,
    )
    name = body.complaint if body.complaint not in state.complaints else item.entry.id
    return replace(state, complaints=_with(state.complaints, name, known))


@on("complaint.closed")
def _complaint_closed(state: UnitState, item: Item, body: e.ComplaintClosed) -> UnitState:
    return replace(state, complaints=_without(state.complaints, body.complaint))


@on("job.opened")
def _job_opened(state: UnitState, item: Item, body: e.JobOpened) -> UnitState:
    job = OpenJob(job=body.job, purpose=body.purpose, entry=item.entry.id, at=item.at)
    name = body.job
    if name in state.jobs:  # both live; the second goes by its entry
        name = item.entry.id
        detail = f"job {body.job} is open already; this one goes by its entry"
        state = _raise(state, item, "id-taken", detail, state.jobs[body.job].entry)
    state = replace(state, jobs=_with(state.jobs, name, job))
    if state.last_job and state.last_job.job == body.job:
        state = replace(_disturb(state, item, "job reopened"), last_job=None)
    return state


@on("job.closed")
def _job_closed(state: UnitState, item: Item, body: e.JobClosed) -> UnitState:
    job = state.jobs.get(body.job)
    state = replace(state, jobs=_without(state.jobs, body.job), last_job=job or state.last_job)
    if job and job.purpose == "service":
        state = replace(state, plans=(), serviced=_serviced(state, item))
    return state


def _serviced(state: UnitState, item: Item) -> Since:
    return Since(entry=item.entry.id, at=item.at, hours=state.hours[0] if state.hours else None)


@on("check.answered")
def _check(state: UnitState, item: Item, body: e.CheckAnswered) -> UnitState:
    job = state.jobs.get(item.entry.job or "")
    if job is not None:
        answered = Answered(entry=item.entry.id, answer=body.answer, why=body.why)
        job = replace(job, checks=job.checks | {body.check: answered})
        state = replace(state, jobs=_with(state.jobs, job.job, job))
    if body.answer == "defect" and state.released is not None:
        defects = state.released.defects | {body.check: item.entry.id}
        state = replace(state, released=replace(state.released, defects=defects))
    return state


@on("finding.raised")
def _finding(state: UnitState, item: Item, body: e.FindingRaised) -> UnitState:
    finding = OpenFinding(
        finding=body.finding,
        entry=item.entry.id,
        at=item.at,
        words=body.words,
        blocking=body.blocking,
        index=item.entry.index,
        slot=body.slot,
        mode=body.mode,
        mechanism=body.mechanism,
        cause=body.cause,
        confidence=body.confidence,
    )
    known = state.findings.get(body.finding)
    name = body.finding if known is None else item.entry.id  # both live; the second goes by its entry
    state = replace(state, findings=_with(state.findings, name, finding))
    if not body.blocking:
        return state
    passed = [x for x in state.exams.values() if _passed_and_in_date(x, item)]
    if passed:
        detail = "a defect was found while the examination says safe: the defect rules; tell the examiner"
        state = _raise(state, item, "exam-against-defect", detail, *(x.entry for x in passed))
    return _disturb(state, item, "blocking finding")


def _passed_and_in_date(exam: Exam, item: Item) -> bool:
    return exam.result == "pass" and (not isinstance(exam.due_next, str) or item.occurred_at[:10] <= exam.due_next)


@on("finding.closed")
def _finding_closed(state: UnitState, item: Item, body: e.FindingClosed) -> UnitState:
    state = replace(state, findings=_without(state.findings, body.finding))
    defects = {f.entry for f in state.findings.values() if f.blocking}
    against = (r for r in state.raised.values() if r.code == "exam-against-defect")
    return _settle(state, *(r.key for r in against if not defects & set(r.entries)))


@on("work.done")
def _work(state: UnitState, item: Item, body: e.WorkDone) -> UnitState:
    if body.activity in LOOKING:
        return state
    return _disturb(_touch(state, item, body.slot or ANYWHERE), item, "work done")


@on("setting.left")
def _setting(state: UnitState, item: Item, body: e.SettingLeft) -> UnitState:
    return _disturb(_touch(state, item, ANYWHERE), item, "setting left")


# Readings


@on("reading.taken")
def _reading(state: UnitState, item: Item, body: e.ReadingTaken) -> UnitState:
    state = _hours_shown(state, item, body.hours, "read")
    taken = Taken(
        entry=item.entry.id,
        index=item.touched,
        at=item.at,
        order=item.key[1:],
        occurred_at=item.occurred_at,
        by=item.entry.by,
        stage=body.stage,
        uom=body.uom,
        readings=body.readings,
        gauge=body.gauge,
        uncertainty=body.uncertainty,
        sheet_rev=body.sheet_rev,
        corrected_by=item.marked_by,
        device=item.entry.device.id if item.entry.device else None,
    )
    known = state.measured.get(body.characteristic)
    as_left, firsts, before = (known.as_left, known.firsts, (*known.before, known.latest)) if known else (None, (), ())
    if known:
        touched = tuple(slot for slot, key in state.touches.items() if key > known.latest.key)
        taken = replace(taken, touched=touched)
    if body.stage == "as_left":
        as_left, firsts = taken, _firsts((*firsts, taken), state.fits)
    measured = Measured(latest=taken, before=before[-TRAIL:], as_left=as_left, firsts=firsts)
    return replace(state, measured=_with(state.measured, body.characteristic, measured))


def _firsts(taken: tuple[Taken, ...], fits: tuple[Key, ...]) -> tuple[Taken, ...]:
    """Of readings in order: the first of all, and the first after each fit."""
    after = (next((t for t in taken if t.key > fit), None) for fit in fits)
    wanted = {id(t) for t in (taken[0], *after)}
    return tuple(t for t in taken if id(t) in wanted)


# Parts


def _in_slot(state: UnitState, slot: str, occupants: tuple[Occupant, ...]) -> UnitState:
    out = {o.key for o in state.slots.get(slot, ())}
    fits = (*(fit for fit in state.fits if fit not in out), *(o.key for o in occupants))
    state = replace(state, fits=tuple(sorted(fits)))
    return replace(state, slots=_with(state.slots, slot, occupants))


def _uncontested(state: UnitState, slot: str) -> UnitState:
    keys = [k for k, r in state.raised.items() if r.code == "slot-contested" and r.slot == slot]
    return _settle(state, *keys) if len(state.slots.get(slot, ())) < 2 else state


@on("part.fitted")
def _fitted(state: UnitState, item: Item, body: e.PartFitted) -> UnitState:
    hours = state.hours
    occupant = Occupant(
        entry=item.entry.id,
        since=item.at,
        order=item.key[1:],
        pieces=body.pieces,
        hours_low=hours[0] if hours else None,
        hours_high=hours[1] if hours else None,
        replaced=body.slot in state.slots and not state.slots[body.slot],
    )
    before = state.slots.get(body.slot, ())
    again = next((o for o in before if _same_serials(o.pieces, body.pieces)), None)
    if again is not None:  # what is in cannot go in: its wear and its hours go on
        detail = f"fitted again into {body.slot}, where it was already: a removal is not logged"
        return _raise(state, item, "reset-without-change", detail, again.entry, slot=body.slot)
    state = _touch(_in_slot(state, body.slot, (*before, occupant)), item, body.slot)
    if before:
        detail = f"fitted into {body.slot} while something was in it: is a removal missing? look at the iron"
        state = _raise(state, item, "slot-contested", detail, *(o.entry for o in before), slot=body.slot)
    return _disturb(state, item, "part fitted")


def _same_serials(fitted: tuple[e.Piece, ...], again: tuple[e.Piece, ...]) -> bool:
    """The very same pieces, every one with its serial."""
    known = {(p.part_no, p.serial) for p in fitted}
    return all(p.serial is not None for p in again) and known == {(p.part_no, p.serial) for p in again}


def removes(named: tuple[e.Piece, ...], fitted: tuple[e.Piece, ...]) -> bool:
    """A removal takes out what it names, by serial or lot; one that names nothing takes out whatever was in."""
    return not named or any(_same_piece(n, p) for n in named for p in fitted)


def _same_piece(named: e.Piece, fitted: e.Piece) -> bool:
    """The serial decides where it is named, else the lot, else the part number: a removal may say less than the fit."""
    if named.serial is not None:
        return named.serial == fitted.serial
    if named.lot is not None:
        return named.lot == fitted.lot
    return named.part_no == fitted.part_no


@on("part.removed")
def _removed(state: UnitState, item: Item, body: e.PartRemoved) -> UnitState:
    before = state.slots.get(body.slot, ())
    if not before:
        detail = f"removed from {body.slot}, which was empty: fitted before records, or not logged"
        state = _raise(state, item, "removed-from-empty", detail, slot=body.slot)
    left = tuple(o for o in before if not removes(body.pieces or (), o.pieces))
    state = _touch(_in_slot(state, body.slot, left), item, body.slot)
    return _disturb(_uncontested(state, body.slot), item, "part removed")


@on("rebuild.completed")
def _rebuilt(state: UnitState, item: Item, body: e.RebuildCompleted) -> UnitState:
    hours = state.hours or (None, None)
    count = state.rebuilt.count + 1 if state.rebuilt else 1
    rebuilt = Rebuilt(entry=item.entry.id, at=item.at, count=count, hours_low=hours[0], hours_high=hours[1])
    renewed = [part.slot for part in body.scope if part.treatment == "renewed"]
    old = [o for slot in renewed for o in state.slots.get(slot, ()) if not _fitted_for(state, item, slot, o)]
    if old:
        detail = "renewed by the rebuild, and what was in is still in: a removal is not logged"
        state = _raise(state, item, "reset-without-change", detail, *(o.entry for o in old))
    state = _touch(
        replace(state, rebuilt=rebuilt), item, *(part.slot for part in body.scope if part.treatment != "kept")
    )
    return _disturb(state, item, "rebuilt")


def _fitted_for(state: UnitState, item: Item, slot: str, occupant: Occupant) -> bool:
    """The occupant went in for this rebuild: in its job, or, where no job is named, in the place of another."""
    name = item.body.job or item.entry.job
    job = state.jobs.get(name or "") or (state.last_job if state.last_job and state.last_job.job == name else None)
    begun = job.at if job else (state.rebuilt.at if state.rebuilt else None)
    return occupant.since >= begun if begun is not None else occupant.replaced


# Prove and let go


@on("run.recorded")
def _run(state: UnitState, item: Item, body: e.RunRecorded) -> UnitState:
    run = StandRun(
        run=body.run,
        entry=item.entry.id,
        at=item.at,
        stage=body.stage,
        sheet_rev=body.sheet_rev,
        conditions=dict(sorted(body.conditions.items())),
        tests=tuple(result.test for result in body.results),
    )
    return replace(state, runs=(*state.runs, run)[-RUNS:])


OF_A_RELEASE = (  # raised by a release or on it: they never stand against the next (CONTRACT F)
    "released-while-blocked",
    "released-then-defect",
    "late-after-release",
    "signature-unproved",
)


@on("unit.released")
def _released(state: UnitState, item: Item, body: e.UnitReleased) -> UnitState:
    signed = item.entry.signed
    proved = signed is not None and "none" not in (signed.by, signed.second)
    seen = body.seen_index if body.seen_index is not None else item.entry.seen_index
    signature = Signature(entry=item.entry.id, at=item.at, by=item.entry.by, second=body.second)
    state = replace(state, signatures=(*state.signatures, signature)[-SIGNATURES:])
    before = state.released
    job = body.job or item.entry.job
    if before is not None and job is not None and job == before.job and not _knew(item, seen, before.index):
        detail = f"signed for job {job} without knowing of release {before.release}, which is the release"
        state = replace(state, released=replace(before, duplicates=(*before.duplicates, item.entry.id)))
        return _raise(state, item, "released-twice", detail, before.entry)
    known, unknown = _in_the_way(state, body, lambda index: _knew(item, seen, index))
    if proved:
        ended = [k for k, r in state.raised.items() if r.code in ("dispatched-unreleased", *OF_A_RELEASE)]
        ended = [k for k in ended if state.raised[k].code != "signature-unproved"]  # by its type, in _remark
        if known:
            ended = [k for k in ended if state.raised[k].code == "dispatched-unreleased"]
        state = _settle(state, *ended)
    state = _late_for(state, item, body, unknown.keys())
    if known:
        detail = f"signed over what stood against it: {', '.join(known.values())}"
        state = _raise(state, item, "released-while-blocked", detail, *known)
    for entry, what in unknown.items():
        detail = f"{what} was there when release {body.release} was signed, and not known: tell who has the unit"
        doubt = Raised(
            code="released-then-defect",
            entry=entry,
            at=item.at,
            entries=(entry, item.entry.id),
            detail=detail,
            index=item.touched,
        )
        state = replace(state, raised=_with(state.raised, doubt.key, doubt))
    released = Released(
        release=body.release, entry=item.entry.id, at=item.at, proved=proved, index=item.entry.index, job=job
    )
    return replace(state, released=released)


def _knew(item: Item, seen: int | None, index: int) -> bool:
    """Who signed knew of the entry at `index`: it was in what they had seen, or heard of before the signature."""
    return index < (item.entry.index if seen is None else seen)


def _in_the_way(
    state: UnitState, body: e.UnitReleased, knew: Callable[[int], bool]
) -> tuple[dict[str, str], dict[str, str]]:
    """What by the page alone stands against a release, by entry: what was known to who signed, and what was not."""
    conceded = {state.concessions[name].for_.finding for name in body.concessions or () if name in state.concessions}
    found = {f.entry: (f.index, f"finding {f.finding}") for f in state.findings.values() if f.blocking}
    found = {e: what for e, what in found.items() if what[1].removeprefix("finding ") not in conceded}
    found |= {h.entry: (h.index, f"hold {h.hold}") for h in state.holds.values()}
    found |= {
        r.entry: (r.index, r.code)
        for r in state.raised.values()
        if KINDS[r.code].holds_release and r.code not in OF_A_RELEASE
    }
    known = {entry: what for entry, (index, what) in found.items() if knew(index)}
    return known, {e: what for e, (_, what) in found.items() if e not in known}


def _late_for(state: UnitState, item: Item, body: e.UnitReleased, blocking: Collection[str]) -> UnitState:
    """Facts from before the release that were heard of, or corrected, after it was signed; what blocks is more."""
    for late in item.unheard:
        if late.fact in blocking:
            continue
        detail = f"arrived after release {body.release}, and happened before it"
        doubt = Raised(
            code="late-after-release",
            entry=late.raised_by,
            at=item.at,
            entries=tuple(dict.fromkeys((late.fact, late.raised_by, item.entry.id))),
            detail=detail,
            index=late.index,
        )
        state = replace(state, raised=_with(state.raised, doubt.key, doubt))
    return state


@on("concession.granted")
def _conceded(state: UnitState, item: Item, body: e.ConcessionGranted) -> UnitState:
    concession = OpenConcession(
        concession=body.concession,
        entry=item.entry.id,
        at=item.at,
        for_=body.for_,
        why=body.why,
        until_on=body.until_on,
        until_hours=body.until_hours,
    )
    name = body.concession if body.concession not in state.concessions else item.entry.id
    return replace(state, concessions=_with(state.concessions, name, concession))


@on("concession.ended")
def _concession_ended(state: UnitState, item: Item, body: e.ConcessionEnded) -> UnitState:
    return replace(state, concessions=_without(state.concessions, body.concession))


@on("hold.placed")
def _held(state: UnitState, item: Item, body: e.HoldPlaced) -> UnitState:
    hold = OpenHold(
        hold=body.hold,
        entry=item.entry.id,
        at=item.at,
        why=body.why,
        lift_by=body.lift_by,
        index=item.entry.index,
    )
    name = body.hold if body.hold not in state.holds else item.entry.id  # both live; the second goes by its entry
    return replace(state, holds=_with(state.holds, name, hold))


LIFTABLE = (  # discrepancies that somebody may end by their key (CONTRACT F)
    "meter-too-fast",
    "wear-improved",
    "readings-disagree",
    "duplicate-suspected",
    "place-impossible",
    "piece-gap",
    "scan-after-scrap",
    "late-after-release",
)


@on("hold.lifted")
def _lifted(state: UnitState, item: Item, body: e.HoldLifted) -> UnitState:
    state = replace(state, holds=_without(state.holds, body.hold))
    code, _, entry = body.hold.partition(":")
    if code not in LIFTABLE:
        return state
    state = _settle(state, body.hold)
    return _lifted_reading(state, code, entry) if code in ("wear-improved", "readings-disagree") else state


def _lifted_reading(state: UnitState, code: str, entry: str) -> UnitState:
    """A doubt that is joined from a sheet is lifted on the reading that raised it."""

    def lift(taken: Taken) -> Taken:
        return replace(taken, lifted=(*taken.lifted, code)) if taken.entry == entry else taken

    for name, known in state.measured.items():
        if entry in (known.latest.entry, *(t.entry for t in known.before)):
            after = replace(known, latest=lift(known.latest), before=tuple(map(lift, known.before)))
            return replace(state, measured=state.measured | {name: after})
    return state


@on("exam.recorded")
def _examined(state: UnitState, item: Item, body: e.ExamRecorded) -> UnitState:
    exam = Exam(exam=body.exam, entry=item.entry.id, at=item.at, result=body.result, due_next=body.due_next)
    state = replace(state, exams=_with(state.exams, body.exam, exam))
    ended = [k for k, r in state.raised.items() if r.code == "exam-against-defect"]
    state = _settle(state, *ended)
    open_ = [f.entry for f in state.findings.values() if f.blocking]
    if body.result != "pass" or not open_:
        return state
    return _raise(state, item, "exam-against-defect", "it says safe while a defect is open: the defect rules", *open_)


@on("service.planned")
def _planned(state: UnitState, item: Item, body: e.ServicePlanned) -> UnitState:
    plan = Plan(entry=item.entry.id, at=item.at, due_on=body.due_on, due_hours=body.due_hours)
    return replace(state, plans=(*state.plans, plan))
