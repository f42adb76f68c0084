"""What is doubtful about a unit: what its page raised, and what sheets, gauges, alerts and people beside it make so.

Each is a function of the facts as they are: it ends when they no longer contradict (CONTRACT F).
"""

from collections.abc import Collection, Iterator
from datetime import date

from service_api.domain.alerts import covers
from service_api.domain.conformity import Conformity, judge
from service_api.domain.context import Context
from service_api.domain.discrepancies import Discrepancy, discrepancy
from service_api.domain.matters import Measured, StandRun, Taken, told
from service_api.domain.readings import Doubtful, baseline, doubtful, revision_for, rows, sole
from service_api.domain.runs import failed, why_off
from service_api.domain.sheets import Characteristic
from service_api.domain.state import UnitState

RAISING = ("reading.taken", "run.recorded", "part.fitted", "unit.released")  # types that `joined` may find at fault
ACCEPTED = ("good", "watch", "adjust")
REFUSED = ("replace", "not_proved")


def discrepancies(state: UnitState, context: Context) -> tuple[Discrepancy, ...]:
    """Everything that stands on the unit, as of the facts and the context."""
    raised = told((*state.raised.values(), *state.remarks))
    found = [discrepancy(r.code, r.entry, state.unit, r.entries, r.detail) for r in raised]
    if state.out is not None and not state.doubted("dispatched-unreleased"):
        found += _sent_with_a_defect(state, context)
    return (*found, *joined(state, context), *of_release(state, context), *context.beside)


def joined(state: UnitState, context: Context, only: Collection[str] | None = None) -> Iterator[Discrepancy]:
    """What follows with the context; with `only`, what these entries raise."""
    for code, measured in state.measured.items():
        if only is None or measured.latest.entry in only:
            yield from _of_measured(state, code, measured, context)
    for run in state.runs:
        if only is None or run.entry in only:
            yield from _of_run(state, run, context)
    yield from _of_alerts(state, context, only)
    yield from _of_signatures(state, context, only)


def _sent_with_a_defect(state: UnitState, context: Context) -> list[Discrepancy]:
    if state.out is None:
        return []
    revision = context.in_force(context.day(state.out.at))
    blocking = {c.check for c in revision.sheet.checks if c.blocking} if revision else set()
    runs = failed(state.out.runs, context, state.identity.variant if state.identity else None)
    if not blocking & set(state.out.defects) and not runs:
        return []
    what = "a final run failed" if runs else "a blocking check found a defect"
    entry, detail = state.out.entry, f"it went out after {what}"
    return [discrepancy("dispatched-unreleased", entry, state.unit, (entry,), detail)]


# Readings


def _of_measured(state: UnitState, code: str, measured: Measured, context: Context) -> Iterator[Discrepancy]:
    taken = measured.latest
    yield from _of_gauge(state, taken, context)
    revision = revision_for(taken, context)
    row = revision.sheet.characteristic(code) if revision else None
    if row is None or revision is None:
        detail = f"{code} is on no sheet that was in force"
        yield discrepancy("unknown-characteristic", taken.entry, state.unit, (taken.entry,), detail)
        return
    if measured.before:
        yield from (_contradiction(state, code, d) for d in doubtful(measured, row, sole(state, row.slot)))
    now = context.in_force(context.on)
    if now is not None and now is not revision:
        yield from _limit_moved(state, code, measured, context)


def _of_gauge(state: UnitState, taken: Taken, context: Context) -> Iterator[Discrepancy]:
    record = context.gauges.get(taken.gauge or "")
    if record is None:
        return
    calibration = record.before(taken.at)
    due = calibration.body.due if calibration else None
    if calibration is None or (isinstance(due, str) and date.fromisoformat(due) < context.day(taken.at)):
        detail = f"{taken.gauge} was not in calibration on the day of the reading"
        yield discrepancy("gauge-overdue", taken.entry, state.unit, (taken.entry,), detail)
    elif record.found_out_after(taken.at):
        detail = f"{taken.gauge} was found out at its next calibration"
        yield discrepancy("gauge-out", taken.entry, state.unit, (taken.entry,), detail)


def _contradiction(state: UnitState, code: str, found: Doubtful) -> Discrepancy:
    first, then = found.first, found.then
    if found.code == "readings-disagree":
        detail = f"{code}: {first.value:f} and {then.value:f} within a day, further apart than the uncertainty"
    else:
        detail = (
            f"{code}: {first.value:f} before, {then.value:f} now, and nothing logged between:"
            " a part change that is missing, another unit, another position, or the gauge?"
        )
    return discrepancy(found.code, then.taken.entry, state.unit, (first.taken.entry, then.taken.entry), detail)


def _limit_moved(state: UnitState, code: str, measured: Measured, context: Context) -> Iterator[Discrepancy]:
    """Accepted by its own revision, and not by the one in force; a hold or a concession after that acts on it."""
    now = context.in_force(context.on)
    row = next((r for r in rows(state, context) if r.code == code), None)
    taken = measured.latest
    occupant = sole(state, row.slot) if row else None
    if now is None or row is None or (occupant is not None and taken.key < occupant.key):
        return
    conceded = any(c.for_.characteristic == code for c in state.concessions.values())
    held = any(context.day(h.at) >= now.effective_on for h in state.holds.values())
    if conceded or held:
        return
    first = baseline(measured, occupant if row.slot else None)
    before = verdict(taken, row, context, first)
    after = judge(taken, row, now, context, first)
    if before is not None and before.outcome in ACCEPTED and after.outcome in REFUSED:
        detail = f"{code} was {before.outcome} by revision {before.sheet_rev} and is {after.outcome} by {now.rev}"
        yield discrepancy("limit-moved", taken.entry, state.unit, (taken.entry, now.entry), detail)


def verdict(taken: Taken, row: Characteristic, context: Context, first: Taken | None) -> Conformity | None:
    """By the revision that counts for the reading; None where none was in force."""
    revision = revision_for(taken, context)
    judged = (revision and revision.sheet.characteristic(row.code)) or row
    return judge(taken, judged, revision, context, first) if revision else None


# Runs, alerts, signatures


def _of_run(state: UnitState, run: StandRun, context: Context) -> Iterator[Discrepancy]:
    off = run_off(run, context) if run.stage == "final" else []  # no other run is to satisfy a release
    if off:
        detail = f"run {run.run} was off the sheet's conditions: {'; '.join(off)}"
        yield discrepancy("run-off-conditions", run.entry, state.unit, (run.entry,), detail)


def run_off(run: StandRun, context: Context) -> list[str]:
    """Which conditions of the tests that were run are not those of the revision that the run states."""
    revision = context.stated(run.sheet_rev)
    tests = [t for t in (revision.sheet.tests if revision else ()) if t.test in run.tests]
    found: dict[str, None] = {}
    for test in tests:
        for name, window in (test.conditions or {}).items():
            if (why := why_off(run.conditions.get(name), window)) is not None:
                found[f"{name} {why}"] = None
    return list(found)


def _of_alerts(state: UnitState, context: Context, only: Collection[str] | None) -> Iterator[Discrepancy]:
    """A piece that an open alert names went in after the alert, whatever was known at the bench."""
    for alert in context.alerts:
        for slot, occupants in state.slots.items():
            for occupant in occupants:
                if only is not None and occupant.entry not in only:
                    continue
                if occupant.since > alert.at and any(covers(alert.scope, piece) for piece in occupant.pieces):
                    detail = f"a piece named by alert {alert.alert} went into {slot} after the alert"
                    entries = (alert.entry, occupant.entry)
                    yield discrepancy("alert-part-fitted", occupant.entry, state.unit, entries, detail)


def _of_signatures(state: UnitState, context: Context, only: Collection[str] | None) -> Iterator[Discrepancy]:
    class_ = state.identity.class_ if state.identity else ""
    for signature in state.signatures:
        if only is not None and signature.entry not in only:
            continue
        day = context.day(signature.at)
        asked = [(signature.by, "release"), *([(signature.second, "second")] if signature.second else [])]
        missing = [
            f"{person} ({task})"
            for person, task in asked
            if person in context.authorised and not context.authorised[person].allow(task, class_, day)
        ]
        if missing:
            detail = f"not authorised on {day.isoformat()}: {', '.join(missing)}"
            yield discrepancy("signed-unauthorised", signature.entry, state.unit, (signature.entry,), detail)


def of_release(state: UnitState, context: Context) -> Iterator[Discrepancy]:
    """What the gate, asked for the moment of the release that stands, says against it (CONTRACT C).

    What was known to who signed was signed over; what came to be known since has overtaken it. A finding that came late
    is told by the page itself.
    """
    released, judged = state.released, context.judged
    if released is None or judged is None:
        return
    told_late = {r.entry for r in state.raised.values() if r.code == "released-then-defect"}
    news = [against for against in judged.now if against not in judged.known and not told_late & set(against[1])]
    for code, against, words in (
        ("released-while-blocked", judged.known, "signed over what stood against it"),
        ("verdict-overtaken", news, f"by what is known now {released.release} would not be signed"),
    ):
        if against and f"{code}:{released.entry}" not in state.raised:
            detail = f"{words}: {'; '.join(why for why, _ in against)}"
            entries = tuple(dict.fromkeys((released.entry, *(e for _, found in against for e in found))))
            yield discrepancy(code, released.entry, state.unit, entries, detail)
