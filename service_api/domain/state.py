"""A unit's state: a pure fold over the facts of its own page, in the order of the corrected moment.

It holds the unit's own facts only. What joins units (tags' other wearers, gauges, sheets, alerts) is joined when a
question is answered. Its size depends on slots, characteristics and open matters, never on the number of entries.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from decimal import Decimal
from typing import Any, Literal, Protocol, TypeVar

from service_api.calc.uom import WrongDimension
from service_api.domain import entries as e
from service_api.domain import meters, tags
from service_api.domain.discrepancies import KINDS, REMARKS
from service_api.domain.forms import Quantity, Unknown
from service_api.domain.meters import MeterState
from service_api.domain.records import replace
from service_api.domain.timeline import Item, Key

LATE_DAYS = 7  # between the two clocks (CONTRACT B)
AFTER_SCRAP = ("hold.lifted", "part.removed")  # what may happen to a retired unit: a review's end, a harvest

V = TypeVar("V")


class Matter(Protocol):
    @property
    def at(self) -> datetime: ...


M = TypeVar("M", bound=Matter)


@dataclass(frozen=True, kw_only=True, repr=False)
class Raised:
    """A contradiction or remark that stands on the unit. `entry`, which happened at `at`, raised it."""

    code: str
    entry: str
    at: datetime
    entries: tuple[str, ...]
    detail: str
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

    @property
    def key(self) -> Key:
        return (self.since, *self.order)


@dataclass(frozen=True, kw_only=True, repr=False)
class Taken:
    """A reading as it counts. `order` breaks ties of the moment, `corrected_by` are its corrections."""

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

    @property
    def key(self) -> Key:
        return (self.at, *self.order)


@dataclass(frozen=True, kw_only=True, repr=False)
class Measured:
    """One characteristic: the latest reading, the latest as left, and the first as left of the unit and after the fit
    of each part that is in it now.
    """

    latest: Taken
    as_left: Taken | None = None
    firsts: tuple[Taken, ...] = ()


@dataclass(frozen=True, kw_only=True, repr=False)
class OpenFinding:
    finding: str
    entry: str
    at: datetime
    words: str
    blocking: bool
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
    """The last release, and the first fact after it that takes the unit out of `ready`."""

    release: str
    entry: str
    at: datetime
    proved: bool
    disturbed: str | None = None
    disturbed_why: str | None = None
    defects: dict[str, str] = field(default_factory=dict)  # check -> entry, since the release


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
    raised: dict[str, Raised] = field(default_factory=dict)
    remarks: tuple[Raised, ...] = ()

    @property
    def head(self) -> Key | None:
        return None if self.head_at is None else (self.head_at, self.head_seq, self.head_index)

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
    state = replace(state, out=None, sold=None, place=place)
    ended = [k for k, r in state.raised.items() if r.code in ("return-not-booked", "dispatched-unreleased")]
    return _disturb(_settle(state, *ended), item, "received")


@on("unit.dispatched")
def _dispatched(state: UnitState, item: Item, body: e.UnitDispatched) -> UnitState:
    released = state.released
    held = bool(state.holds) or any(KINDS[r.code].holds_release for r in state.raised.values())
    ready = released is not None and released.proved and released.disturbed is None and not held
    here = Since(entry=item.entry.id, at=item.at, defects=tuple(released.defects) if released else ())
    place = Whereabouts(party=body.to, site=body.site, since=item.at, entry=item.entry.id)
    state = replace(state, out=here, place=place)
    if not ready and item.entry.source_kind not in ("history", "import"):
        state = _raise(state, item, "dispatched-unreleased", "it went out without being ready")
    return state


@on("unit.moved")
def _moved(state: UnitState, item: Item, body: e.UnitMoved) -> UnitState:
    place = Whereabouts(site=body.site, bench=body.bench, since=item.at, entry=item.entry.id)
    return replace(state, place=place)


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
    return replace(state, complaints=_with(state.complaints, body.complaint, known))


@on("complaint.closed")
def _complaint_closed(state: UnitState, item: Item, body: e.ComplaintClosed) -> UnitState:
    return replace(state, complaints=_without(state.complaints, body.complaint))


@on("job.opened")
def _job_opened(state: UnitState, item: Item, body: e.JobOpened) -> UnitState:
    job = OpenJob(job=body.job, purpose=body.purpose, entry=item.entry.id, at=item.at)
    state = replace(state, jobs=_with(state.jobs, body.job, job))
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
        slot=body.slot,
        mode=body.mode,
        mechanism=body.mechanism,
        cause=body.cause,
        confidence=body.confidence,
    )
    state = replace(state, findings=_with(state.findings, body.finding, finding))
    return _disturb(state, item, "blocking finding") if body.blocking else state


@on("finding.closed")
def _finding_closed(state: UnitState, item: Item, body: e.FindingClosed) -> UnitState:
    return replace(state, findings=_without(state.findings, body.finding))


@on("work.done")
def _work(state: UnitState, item: Item, body: e.WorkDone) -> UnitState:
    if body.activity in ("AC-INS", "AC-MEA", "AC-TST", "AC-NIL"):  # looking changes nothing
        return state
    return _disturb(state, item, "work done")


@on("setting.left")
def _setting(state: UnitState, item: Item, body: e.SettingLeft) -> UnitState:
    return _disturb(state, item, "setting left")


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
    )
    known = state.measured.get(body.characteristic)
    as_left, firsts = (known.as_left, known.firsts) if known else (None, ())
    if body.stage == "as_left":
        as_left, firsts = taken, _firsts((*firsts, taken), state.fits)
    measured = Measured(latest=taken, as_left=as_left, firsts=firsts)
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
    )
    before = state.slots.get(body.slot, ())
    state = _in_slot(state, body.slot, (*before, occupant))
    if before:
        detail = f"fitted into {body.slot} while something was in it: is a removal missing? look at the iron"
        state = _raise(state, item, "slot-contested", detail, *(o.entry for o in before), slot=body.slot)
    return _disturb(state, item, "part fitted")


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
    return _disturb(_uncontested(_in_slot(state, body.slot, left), body.slot), item, "part removed")


@on("rebuild.completed")
def _rebuilt(state: UnitState, item: Item, body: e.RebuildCompleted) -> UnitState:
    return _disturb(state, item, "rebuilt")


# Prove and let go


@on("unit.released")
def _released(state: UnitState, item: Item, body: e.UnitReleased) -> UnitState:
    signed = item.entry.signed
    proved = signed is not None and "none" not in (signed.by, signed.second)
    released = Released(release=body.release, entry=item.entry.id, at=item.at, proved=proved)
    ended = [k for k, r in state.raised.items() if r.code == "dispatched-unreleased"] if proved else []
    return replace(_settle(state, *ended), released=released)


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
    return replace(state, concessions=_with(state.concessions, body.concession, concession))


@on("concession.ended")
def _concession_ended(state: UnitState, item: Item, body: e.ConcessionEnded) -> UnitState:
    return replace(state, concessions=_without(state.concessions, body.concession))


@on("hold.placed")
def _held(state: UnitState, item: Item, body: e.HoldPlaced) -> UnitState:
    hold = OpenHold(hold=body.hold, entry=item.entry.id, at=item.at, why=body.why, lift_by=body.lift_by)
    return replace(state, holds=_with(state.holds, body.hold, hold))


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
    return _settle(state, body.hold) if body.hold.partition(":")[0] in LIFTABLE else state


@on("exam.recorded")
def _examined(state: UnitState, item: Item, body: e.ExamRecorded) -> UnitState:
    exam = Exam(exam=body.exam, entry=item.entry.id, at=item.at, result=body.result, due_next=body.due_next)
    return replace(state, exams=_with(state.exams, body.exam, exam))


@on("service.planned")
def _planned(state: UnitState, item: Item, body: e.ServicePlanned) -> UnitState:
    plan = Plan(entry=item.entry.id, at=item.at, due_on=body.due_on, due_hours=body.due_hours)
    return replace(state, plans=(*state.plans, plan))
