"""A run on the stand, test by test, by the sheet revision that it states (JOB.md 1.12, CONTRACT C, Gate blocks).

What was measured off a test's conditions neither passes nor fails it: it shows nothing about it.
"""

from collections.abc import Iterable, Mapping
from decimal import Decimal
from typing import Literal

from service_api.calc.conformity import formed
from service_api.calc.uom import WrongDimension, convert
from service_api.domain.context import Context, SheetRevision
from service_api.domain.entries.jobs import RunRecorded, TestResult
from service_api.domain.forms import Quantity, Unknown
from service_api.domain.matters import RunAfter
from service_api.domain.records import record
from service_api.domain.sheets import ConditionWindow, StandTest, applies

Outcome = Literal["passed", "failed", "off_conditions", "undecided", "not_run"]
PASSES, FAILS = "ok", "defect"  # the words of a test that has no figure (R3)


@record(kw_only=True)
class TestAnswer:
    """One test of the sheet: what was measured (formed as the sheet says, in its uom), and what that shows."""

    test: str
    title: str
    blocking: bool
    outcome: Outcome
    value: Decimal | None
    uom: str | None
    low: Decimal | None
    high: Decimal | None
    why: str | None


@record(kw_only=True)
class RunAnswer:
    """`failed` when a blocking test failed, `passed` when all passed on their conditions, else `not_proved`."""

    run: str
    entry: str
    stage: str
    sheet_rev: int
    outcome: Literal["passed", "failed", "not_proved"]
    tests: tuple[TestAnswer, ...]
    unlisted: tuple[str, ...]
    why: str | None


def failed(runs: Iterable[RunAfter], context: Context, variant: str | None) -> tuple[str, ...]:
    """The entries of those final runs in which a blocking test failed, each by the revision that it states."""
    judged = (judge(r.run, r.entry, context.stated(r.run.sheet_rev), variant) for r in runs)
    return tuple(run.entry for run in judged if run.outcome == "failed")


def judge(body: RunRecorded, entry: str, revision: SheetRevision | None, variant: str | None) -> RunAnswer:
    """Every test of the revision that applies to the variant; of a test that stands twice in a run the later counts."""
    results = {result.test: result for result in body.results}
    sheet = [t for t in revision.sheet.tests if applies(t, variant)] if revision else []
    tests = tuple(_judged(test, results.get(test.test), body.conditions) for test in sheet)
    blocking = {t.outcome for t in tests if t.blocking}
    proved = revision is not None and blocking <= {"passed"}
    return RunAnswer(
        run=body.run,
        entry=entry,
        stage=body.stage,
        sheet_rev=body.sheet_rev,
        outcome="failed" if "failed" in blocking else "passed" if proved else "not_proved",
        tests=tests,
        unlisted=tuple(name for name in results if name not in {t.test for t in sheet}),
        why=None if revision else f"no sheet has the revision {body.sheet_rev}",
    )


def _judged(
    test: StandTest, result: TestResult | None, conditions: Mapping[str, Quantity | Unknown | str]
) -> TestAnswer:
    value, why = (None, None) if result is None else _value(test, result)
    outcome: Outcome = "not_run"
    if result is not None:
        found = [
            f"{n} {w}" for n, window in (test.conditions or {}).items() if (w := why_off(conditions.get(n), window))
        ]
        if found:
            outcome, why = "off_conditions", "; ".join(found)
        else:
            outcome, why = _shown(test, result, value, why)
    return TestAnswer(
        test=test.test,
        title=test.title,
        blocking=test.blocking,
        outcome=outcome,
        value=value,
        uom=test.uom,
        low=test.low,
        high=test.high,
        why=why,
    )


def _shown(test: StandTest, result: TestResult, value: Decimal | None, why: str | None) -> tuple[Outcome, str | None]:
    if test.low is None and test.high is None:
        words: dict[str | None, Outcome] = {PASSES: "passed", FAILS: "failed"}
        outcome = words.get(result.answer, "undecided")
        return outcome, f"{PASSES} or {FAILS} is asked" if outcome == "undecided" else None
    if value is None:
        return "undecided", why
    beyond = (test.low is not None and value < test.low) or (test.high is not None and value > test.high)
    if not beyond and why is not None:  # too few figures prove no pass; one that is bad enough shows a failure
        return "undecided", why
    return ("failed", None) if beyond else ("passed", None)


def _value(test: StandTest, result: TestResult) -> tuple[Decimal | None, str | None]:
    """The formed value in the sheet's uom, and why it cannot prove a pass."""
    given = result.values or ((result.value,) if result.value is not None else ())
    known = [q for q in given if isinstance(q, Quantity)]
    if not known or test.uom is None:
        return None, "no figure"
    try:
        values = [convert(q.value, q.uom, test.uom) for q in known]
    except WrongDimension as error:
        return None, str(error)
    asked = test.count or 1
    why = None
    if len(known) < len(given):
        why = "a figure is not known"
    elif result.values and len(known) < asked:
        why = f"the sheet asks for {asked} figures, {len(known)} were taken"
    return formed(values, test.form or ("min" if test.high is None else "max")), why


def why_off(stated: object, window: ConditionWindow) -> str | None:
    """Why a stated condition is not the one that the sheet asks for; None when it is."""
    if not isinstance(stated, Quantity):
        return "is not stated"
    try:
        value = convert(stated.value, stated.uom, window.uom)
    except WrongDimension:
        return f"is stated in {stated.uom}"
    low = "" if window.low is None else f"{window.low:f}"
    high = "" if window.high is None else f"{window.high:f}"
    outside = (window.low is not None and value < window.low) or (window.high is not None and value > window.high)
    return f"was {value:f} {window.uom}, asked for {low}..{high}" if outside else None
