"""The condition of a unit: hours, slots, latest readings with their verdicts, standing, and what is doubtful."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from decimal import Decimal

from service_api.domain.conformity import Conformity, form_value, shown, undecided
from service_api.domain.context import RULES, Context
from service_api.domain.discrepancies import Discrepancy
from service_api.domain.doubts import discrepancies, verdict
from service_api.domain.entries.jobs import Reading
from service_api.domain.entries.shared import Piece
from service_api.domain.fold.parts import removes
from service_api.domain.holds import holds
from service_api.domain.hours import Hours, gained_since, hours, hours_on
from service_api.domain.matters import Occupant, OpenFinding, Taken, by_moment
from service_api.domain.readings import baseline, counting, revision_for, rows, sole
from service_api.domain.records import record
from service_api.domain.runs import failed
from service_api.domain.sheets import Characteristic
from service_api.domain.state import UnitState
from service_api.domain.timeline import Item

EARLIEST = datetime.min.replace(tzinfo=UTC)


@record(kw_only=True)
class AsOf:
    """For which moment and which knowledge an answer holds; asking with `index` as known_index repeats it."""

    true_at: datetime | None
    known_index: int | None
    index: int
    on: str
    rules: int


@record(kw_only=True)
class Why:
    why: str
    entries: tuple[str, ...]


@record(kw_only=True)
class Latest:
    value: Decimal | None
    uom: str
    readings: tuple[Reading, ...]
    typed_uom: str
    at: str
    stage: str
    entry: str
    entries: tuple[str, ...]
    by: str
    gauge: str | None


@record(kw_only=True)
class OccupantAnswer:
    pieces: tuple[Piece, ...]
    since: datetime
    entry: str


@record(kw_only=True)
class CharacteristicAnswer:
    characteristic: str
    title: str | None
    slot: str | None
    occupant: OccupantAnswer | None
    latest: Latest | None
    conformity: Conformity


@record(kw_only=True)
class SlotAnswer:
    slot: str
    title: str | None
    occupant: OccupantAnswer | None
    hours_on: Hours
    contested: bool
    candidates: tuple[OccupantAnswer, ...]


@record(kw_only=True)
class FindingAnswer:
    finding: str
    words: str
    blocking: bool
    slot: str | None
    mode: str | None
    mechanism: str | None
    cause: str | None
    confidence: str | None
    raised_at: datetime
    entry: str


@record(kw_only=True)
class SinceRebuild:
    """Hours since the last rebuild, its day, which one it was, and what became of each slot in its scope."""

    hours: Hours
    on: str
    entry: str
    count: int
    standard: str | None
    renewed: tuple[str, ...]
    reconditioned: tuple[str, ...]
    kept: tuple[str, ...]


@record(kw_only=True)
class ReleaseAnswer:
    """The release that stands; `duplicates` are entries of others for the same job, signed without knowing of it."""

    release: str
    entry: str
    duplicates: tuple[str, ...]


@record(kw_only=True)
class HostAnswer:
    """The slot of the machine that an assembly is in."""

    unit: str
    slot: str
    since: datetime
    entry: str


@record(kw_only=True)
class Condition:
    unit: str
    class_: str | None
    as_of: AsOf
    standing: str
    standing_why: tuple[Why, ...]
    hours: Hours
    host: HostAnswer | None
    since_rebuild: SinceRebuild | None
    release: ReleaseAnswer | None
    characteristics: tuple[CharacteristicAnswer, ...]
    slots: tuple[SlotAnswer, ...]
    findings: tuple[FindingAnswer, ...]
    discrepancies: tuple[Discrepancy, ...]


def as_of(state: UnitState, context: Context) -> AsOf:
    return AsOf(
        true_at=context.true_at,
        known_index=context.known_index,
        index=max(state.index, context.index) + 1,
        on=context.on.isoformat(),
        rules=RULES,
    )


def occupant_answer(occupant: Occupant) -> OccupantAnswer:
    return OccupantAnswer(pieces=occupant.pieces, since=occupant.since, entry=occupant.entry)


def latest_of(taken: Taken, row: Characteristic) -> Latest:
    try:
        value = form_value(taken.readings, taken.uom, row)
    except ValueError:
        value = None
    return Latest(
        value=None if value is None else shown(value, row),
        uom=row.uom,
        readings=taken.readings,
        typed_uom=taken.uom,
        at=taken.occurred_at,
        stage=taken.stage,
        entry=taken.entry,
        entries=(taken.entry, *taken.corrected_by),
        by=taken.by,
        gauge=taken.gauge,
    )


def characteristic(state: UnitState, row: Characteristic, context: Context) -> CharacteristicAnswer:
    """One row of the sheet: its latest reading on what is fitted now, and the verdict on it."""
    occupant = sole(state, row.slot)
    measured = state.measured.get(row.readings_of or row.code)
    latest, judged = None, undecided("not measured yet", row)
    if measured is not None:
        taken = counting(measured, row, occupant) if measured.before else measured.latest
        if occupant is not None and taken.key < occupant.key:
            revision = revision_for(taken, context)
            judged = undecided("not measured since the part was fitted", row, revision.rev if revision else None)
        else:
            latest = latest_of(taken, row)
            first = baseline(measured, occupant if row.slot else None)
            judged = verdict(taken, row, context, first) or undecided("no sheet was in force", row)
    return CharacteristicAnswer(
        characteristic=row.code,
        title=row.title,
        slot=row.slot,
        occupant=occupant_answer(occupant) if occupant else None,
        latest=latest,
        conformity=judged,
    )


def unlisted(state: UnitState, context: Context, listed: set[str]) -> list[CharacteristicAnswer]:
    """Readings of characteristics that the sheet in force does not have: facts, judged by nothing."""
    found = []
    for code, measured in state.measured.items():
        if code in listed:
            continue
        row = Characteristic(code=code, title=code, uom=measured.latest.uom, kind="limit")
        found.append(
            CharacteristicAnswer(
                characteristic=code,
                title=None,
                slot=None,
                occupant=None,
                latest=latest_of(measured.latest, row),
                conformity=undecided("unknown characteristic: the sheet in force does not have it", row),
            )
        )
    return found


def characteristics(state: UnitState, context: Context) -> tuple[CharacteristicAnswer, ...]:
    known = rows(state, context)
    listed = {c.code for c in known} | {c.readings_of for c in known if c.readings_of}
    return (*(characteristic(state, row, context) for row in known), *unlisted(state, context, listed))


def slot(state: UnitState, name: str, context: Context) -> SlotAnswer:
    revision = context.in_force(context.on)
    row = revision.sheet.slot(name) if revision else None
    occupants = state.slots.get(name, ())
    occupant = sole(state, name)
    return SlotAnswer(
        slot=name,
        title=row.title if row else None,
        occupant=occupant_answer(occupant) if occupant else None,
        hours_on=hours_on(state, occupant, context.carried)
        if occupant
        else Hours(unknown="empty" if not occupants else "contested"),
        contested=len(occupants) > 1,
        candidates=tuple(map(occupant_answer, occupants)) if len(occupants) > 1 else (),
    )


@record(kw_only=True)
class SlotSpan:
    """One occupant's time in a slot; `unknown` where its beginning is not logged."""

    pieces: tuple[Piece, ...]
    from_: datetime | None
    until: datetime | None
    entry: str
    to: str | None = None
    unknown: str | None = None


def slot_history(facts: Sequence[Item], name: str) -> list[SlotSpan]:
    """Who was in the slot from when to when, in order; removals from an empty slot are marked."""
    open_spans: list[SlotSpan] = []
    done: list[SlotSpan] = []
    for item in facts:
        if item.data.get("slot") != name:
            continue
        pieces = item.body.pieces or ()
        if item.entry.type == "part.fitted":
            open_spans.append(SlotSpan(pieces=pieces, from_=item.at, until=None, entry=item.entry.id))
        elif item.entry.type == "part.removed":
            out = [s for s in open_spans if removes(pieces, s.pieces)]
            open_spans = [s for s in open_spans if s not in out]
            done += [replace(s, until=item.at, to=item.body.to) for s in out]
            if not out:
                why = "fitted before records, or not logged"
                done.append(
                    SlotSpan(
                        pieces=pieces, from_=None, until=item.at, entry=item.entry.id, to=item.body.to, unknown=why
                    )
                )
    return sorted([*done, *open_spans], key=lambda s: s.from_ or s.until or EARLIEST)


def slots(state: UnitState, context: Context) -> tuple[SlotAnswer, ...]:
    """The sheet's slots in its order, then any other that something was fitted into."""
    revision = context.in_force(context.on)
    names = [s.slot for s in revision.sheet.slots] if revision else []
    names += [name for name in state.slots if name not in names]
    return tuple(slot(state, name, context) for name in names)


def finding(known: OpenFinding) -> FindingAnswer:
    return FindingAnswer(
        finding=known.finding,
        words=known.words,
        blocking=known.blocking,
        slot=known.slot,
        mode=known.mode,
        mechanism=known.mechanism,
        cause=known.cause,
        confidence=known.confidence,
        raised_at=known.at,
        entry=known.entry,
    )


def standing(state: UnitState, context: Context, known: tuple[Discrepancy, ...]) -> tuple[str, tuple[Why, ...]]:
    """The first that holds of retired, unidentified, on_hold, out, ready, in_shop, and why (CONTRACT C)."""
    if state.retired:
        return "retired", (Why(why="retired", entries=(state.retired.entry,)),)
    if state.identity and state.identity.origin == "unidentified":
        return "unidentified", (Why(why="not identified yet", entries=(state.identity.entry,)),)
    held = holds(state, context, known)
    if held:
        return "on_hold", tuple(
            Why(why=f"hold {h.hold}: {h.why}" if h.hold else h.why, entries=h.entries) for h in held
        )
    if state.out:
        return "out", (Why(why="dispatched and not received back", entries=(state.out.entry,)),)
    released = state.released
    if released and released.proved and not released.disturbed and not _spoilt(state, context):
        return "ready", (Why(why=f"released by {released.release}", entries=(released.entry,)),)
    return "in_shop", _not_ready(state, context)


def _spoilt(state: UnitState, context: Context) -> tuple[Why, ...]:
    """What takes the release out of `ready` by the sheet: a defect of a blocking check, a final run that failed."""
    released = state.released
    if released is None:
        return ()
    revision = context.in_force(context.on)
    blocking = {c.check for c in revision.sheet.checks if c.blocking} if revision else set()
    defects = tuple(entry for check, entry in released.defects.items() if check in blocking or revision is None)
    runs = failed(released.runs, context, state.identity.variant if state.identity else None)
    found = ("a blocking check found a defect", defects), ("a final run failed", runs)
    return tuple(Why(why=f"{what} after the release", entries=entries) for what, entries in found if entries)


def _not_ready(state: UnitState, context: Context) -> tuple[Why, ...]:
    released = state.released
    if released is None:
        return (Why(why="never released", entries=()),)
    if released.disturbed and released.disturbed_why:
        return (Why(why=f"{released.disturbed_why} after the release", entries=(released.disturbed,)),)
    spoilt = _spoilt(state, context)
    if spoilt:
        return spoilt
    return (Why(why="the release is not proved", entries=(released.entry,)),)


def since_rebuild(state: UnitState, context: Context) -> SinceRebuild | None:
    known = state.rebuilt
    if known is None:
        return None
    since = gained_since(state, known.hours_low, known.hours_high, known.entry)
    slots = {
        treatment: tuple(part.slot for part in known.scope if part.treatment == treatment)
        for treatment in ("renewed", "reconditioned", "kept")
    }
    on = context.day(known.at).isoformat()
    return SinceRebuild(hours=since, on=on, entry=known.entry, count=known.count, standard=known.standard, **slots)


def release(state: UnitState) -> ReleaseAnswer | None:
    known = state.released
    if known is None:
        return None
    return ReleaseAnswer(release=known.release, entry=known.entry, duplicates=known.duplicates)


def _host(context: Context) -> HostAnswer | None:
    known = context.host
    if known is None:
        return None
    return HostAnswer(unit=known.unit, slot=known.slot, since=known.occupant.since, entry=known.occupant.entry)


def condition(state: UnitState, context: Context) -> Condition:
    """Everything that the bench and the ERP ask of a unit in one answer."""
    known = discrepancies(state, context)
    word, why = standing(state, context, known)
    return Condition(
        unit=state.unit,
        class_=state.identity.class_ if state.identity else None,
        as_of=as_of(state, context),
        standing=word,
        standing_why=why,
        hours=context.hours or hours(state),
        host=_host(context),
        since_rebuild=since_rebuild(state, context),
        release=release(state),
        characteristics=characteristics(state, context),
        slots=slots(state, context),
        findings=tuple(finding(f) for f in by_moment(state.findings.values())),
        discrepancies=known,
    )
