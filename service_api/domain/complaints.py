"""Complaints from report to cure: what cured them, how often, what to check first, and what came back.

Questions 10, 16 and 38 of JOB.md section 6; the forms are those of CONTRACT C, Cures.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from datetime import UTC, date, datetime
from decimal import Decimal

from service_api.calc.proportions import wilson
from service_api.domain.condition import AsOf
from service_api.domain.context import SheetRevision
from service_api.domain.entries.complaints import ComplaintClosed, ComplaintReported
from service_api.domain.entries.jobs import WorkDone
from service_api.domain.entries.parts import PartFitted
from service_api.domain.entries.places import UnitDispatched, UnitRegistered
from service_api.domain.records import record
from service_api.domain.sheets import ComplaintCause
from service_api.domain.timeline import Item

TYPES = (
    "unit.registered", "unit.dispatched", "complaint.reported", "complaint.worked", "complaint.closed", "work.done",
    "part.fitted",
)  # fmt: skip
FEWEST = 5  # cures seen before they count for more than the sheet's shares (CONTRACT C)
REPLACED = "AC-RPL"  # what a part named in `cured_by` counts as
FORTH = Decimal("0.0001")


@record
class Cure:
    activity: str | None  # None: nobody said what cured it
    slot: str | None
    entry: str | None


@record
class Call:
    """One complaint on one unit, as far as it has come. `away`: the dispatches after its report."""

    unit: str
    class_: str
    complaint: str
    mode: str
    entry: str
    reported: datetime
    closed: datetime | None = None
    outcome: str | None = None
    closing: str | None = None
    cures: tuple[Cure, ...] = ()
    away: tuple[datetime, ...] = ()


@record(kw_only=True)
class Band:
    low: Decimal
    high: Decimal


@record(kw_only=True)
class CureCount:
    """In how many of the cured calls this was the cure, with the share and its 95 % interval (Wilson)."""

    activity: str | None
    slot: str | None
    count: int
    share: Decimal
    interval: Band
    entries: tuple[str, ...]


@record(kw_only=True)
class NotCured:
    open: int
    no_fault_found: int
    withdrawn: int


@record(kw_only=True)
class NextCheck:
    """A check with its chance to find the cause; `from` says where that is from."""

    check: str
    activity: str | None
    slot: str | None
    share: Decimal | None
    minutes: int | None
    from_: str


@record(kw_only=True)
class Tally:
    """What became of the complaints of one mode, or of one class."""

    mode: str | None
    class_: str | None
    complaints: int
    calls: int
    cures: tuple[CureCount, ...]
    not_cured: NotCured
    next_check: tuple[NextCheck, ...]
    entries: tuple[str, ...]


@record(kw_only=True)
class Cures:
    """`calls` closed as cured; each class apart where none is named, each mode apart where none is named."""

    mode: str | None
    class_: str | None
    since: str | None
    first_on: str | None
    last_on: str | None
    as_of: AsOf
    complaints: int
    calls: int
    cures: tuple[CureCount, ...]
    not_cured: NotCured
    next_check: tuple[NextCheck, ...]
    classes: tuple[Tally, ...]
    modes: tuple[Tally, ...]


@record(kw_only=True)
class Repeat:
    """The same unit with the same mode again; the days run from `counted_from`, the dispatch after the first."""

    unit: str
    class_: str
    mode: str
    first: str
    first_outcome: str
    again: str
    days: int
    counted_from: str
    entries: tuple[str, ...]


@record(kw_only=True)
class Repeats:
    within_days: int
    as_of: AsOf
    repeats: tuple[Repeat, ...]


def calls_of(unit: str, facts: Sequence[Item]) -> tuple[Call, ...]:
    """The unit's complaints in the order of their reports. facts : of its page, at least those of TYPES"""
    class_ = ""
    found: dict[str, Call] = {}
    for item in facts:
        at = item.at.astimezone(UTC)
        match item.body:
            case UnitRegistered(class_=registered):
                class_ = registered
            case ComplaintReported(complaint=complaint, mode=mode):
                # a second opening under the same id lives too, by its entry's id (CONTRACT A, id-taken)
                key = item.entry.id if complaint in found else complaint
                found[key] = Call(unit, class_, complaint, mode, item.entry.id, at)
            case ComplaintClosed(complaint=complaint, outcome=outcome, cured_by=by) if complaint in found:
                cures = tuple(_cures(by or (), facts)) if outcome == "cured" else ()
                found[complaint] = replace(
                    found[complaint], closed=at, outcome=outcome, closing=item.entry.id, cures=cures
                )
            case UnitDispatched():
                found = {k: replace(call, away=(*call.away, at)) for k, call in found.items()}
    return tuple(sorted(found.values(), key=lambda call: (call.reported, call.complaint)))


def _cures(named: Iterable[str], facts: Sequence[Item]) -> Iterable[Cure]:
    """The work and parts among the entries named, each activity and slot once; where there is none, an unknown one."""
    wanted = set(named)
    found: dict[tuple[str | None, str | None], Cure] = {}
    for item in facts:
        if item.entry.id in wanted:
            match item.body:
                case WorkDone(activity=activity, slot=slot):
                    found.setdefault((activity, slot), Cure(activity, slot, item.entry.id))
                case PartFitted(slot=slot):
                    found.setdefault((REPLACED, slot), Cure(REPLACED, slot, item.entry.id))
    return found.values() or (Cure(None, None, None),)


def cures(
    calls: Sequence[Call],
    mode: str | None,
    class_: str | None,
    since: date | None,
    day: Callable[[datetime], date],
    sheet_of: Callable[[str], SheetRevision | None],
    as_of: AsOf,
) -> Cures:
    """What cured the complaints of a mode, of a class, reported since a day: any of them may be left open."""
    wanted = [
        call
        for call in calls
        if (mode is None or call.mode == mode)
        and (class_ is None or call.class_ == class_)
        and (since is None or day(call.reported) >= since)
    ]
    whole = _tally(wanted, mode, class_, sheet_of)
    classes = sorted({call.class_ for call in wanted}) if class_ is None else []
    modes = sorted({call.mode for call in wanted}) if mode is None else []
    by_class = [_tally([c for c in wanted if c.class_ == name], mode, name, sheet_of) for name in classes]
    by_mode = [_tally([c for c in wanted if c.mode == name], name, class_, sheet_of) for name in modes]
    return Cures(
        mode=mode,
        class_=class_,
        since=None if since is None else since.isoformat(),
        first_on=day(min(c.reported for c in wanted)).isoformat() if wanted else None,
        last_on=day(max(c.reported for c in wanted)).isoformat() if wanted else None,
        as_of=as_of,
        complaints=whole.complaints,
        calls=whole.calls,
        cures=whole.cures,
        not_cured=whole.not_cured,
        next_check=whole.next_check,
        classes=tuple(sorted(by_class, key=_most)),
        modes=tuple(sorted(by_mode, key=_most)),
    )


def _most(tally: Tally) -> tuple[int, str, str]:
    return -tally.complaints, tally.class_ or "", tally.mode or ""


def _tally(
    calls: Sequence[Call], mode: str | None, class_: str | None, sheet_of: Callable[[str], SheetRevision | None]
) -> Tally:
    cured = [call for call in calls if call.outcome == "cured"]
    counted: dict[tuple[str | None, str | None], list[tuple[Call, Cure]]] = {}
    for call in cured:
        for cure in call.cures:
            counted.setdefault((cure.activity, cure.slot), []).append((call, cure))
    rows = [_row(activity, slot, found, len(cured)) for (activity, slot), found in counted.items()]
    revision = sheet_of(class_) if class_ is not None and mode is not None else None
    outcomes = [call.outcome for call in calls]
    return Tally(
        mode=mode,
        class_=class_,
        complaints=len(calls),
        calls=len(cured),
        cures=tuple(sorted(rows, key=lambda r: (-r.count, r.activity or "~", r.slot or ""))),
        not_cured=NotCured(
            open=outcomes.count(None),
            no_fault_found=outcomes.count("no_fault_found"),
            withdrawn=outcomes.count("withdrawn"),
        ),
        next_check=_next_check(revision, mode, cured),
        entries=tuple(call.entry for call in calls),
    )


def _row(activity: str | None, slot: str | None, found: Sequence[tuple[Call, Cure]], calls: int) -> CureCount:
    got = wilson(len(found), calls)
    entries = [entry for call, cure in found for entry in (cure.entry, call.closing) if entry]
    return CureCount(
        activity=activity,
        slot=slot,
        count=len(found),
        share=_forth(got.share),
        interval=Band(low=_forth(got.lower), high=_forth(got.upper)),
        entries=tuple(dict.fromkeys(entries)),
    )


def _forth(share: float) -> Decimal:
    return Decimal(share).quantize(FORTH)


def _next_check(revision: SheetRevision | None, mode: str | None, cured: Sequence[Call]) -> tuple[NextCheck, ...]:
    """The sheet's checks for the mode, the greatest chance for its minutes first; what has no chance stands last."""
    asked = revision.sheet.complaints or () if revision else ()
    causes = next((m.causes for m in asked if m.mode == mode), ())
    seen = len(cured) >= FEWEST
    claimed = {(cause.activity, str(cause.slot)) for cause in causes if cause.slot}
    rows = []
    for cause in causes:
        share = _forth(_hits(cause, cured, claimed) / len(cured)) if seen else cause.share
        rows.append(
            NextCheck(
                check=cause.check,
                activity=cause.activity,
                slot=cause.slot,
                share=share,
                minutes=cause.minutes,
                from_="cures" if seen else "sheet",
            )
        )
    return tuple(sorted(rows, key=_chance))  # the sort is stable, so the sheet's own order breaks a tie


def _hits(cause: ComplaintCause, cured: Sequence[Call], claimed: set[tuple[str | None, str]]) -> int:
    """Calls that this cause explains: its activity on its slot, or on any that no other cause names."""

    def explains(cure: Cure) -> bool:
        if cure.activity is None or cure.activity != cause.activity:
            return False
        return cure.slot == cause.slot or (cause.slot is None and (cure.activity, str(cure.slot)) not in claimed)

    return sum(any(explains(cure) for cure in call.cures) for call in cured)


def _chance(row: NextCheck) -> tuple[bool, Decimal]:
    if row.share is None or not row.minutes:
        return True, -(row.share or Decimal(0))
    return False, -row.share / row.minutes


def repeats(calls: Iterable[Call], within: int, day: Callable[[datetime], date], as_of: AsOf) -> Repeats:
    """The complaints that followed one of the same mode on the same unit, no more than so many days later.

    The days run from the first dispatch after the first was closed, else from the last before the second report, else
    from the close; a first that was neither sent out nor closed is still the same complaint, and one that was
    withdrawn was none.
    """
    latest: dict[tuple[str, str], Call] = {}
    found = []
    for call in sorted(calls, key=lambda c: (c.reported, c.complaint)):
        if call.outcome == "withdrawn":
            continue
        before = latest.get((call.unit, call.mode))
        latest[call.unit, call.mode] = call
        start = _start(before, call) if before else None
        if before is None or start is None:
            continue
        days = (day(call.reported) - day(start)).days
        if 0 <= days <= within:
            entries = (before.entry, *((before.closing,) if before.closing else ()), call.entry)
            found.append(
                Repeat(
                    unit=call.unit,
                    class_=call.class_,
                    mode=call.mode,
                    first=before.complaint,
                    first_outcome=before.outcome or "open",
                    again=call.complaint,
                    days=days,
                    counted_from=day(start).isoformat(),
                    entries=entries,
                )
            )
    return Repeats(within_days=within, as_of=as_of, repeats=tuple(found))


def _start(first: Call, again: Call) -> datetime | None:
    out = [at for at in first.away if first.reported <= at <= again.reported]
    closed = first.closed if first.closed is not None and first.closed <= again.reported else None
    after = [at for at in out if closed is not None and at >= closed]
    return after[0] if after else out[-1] if out else closed
