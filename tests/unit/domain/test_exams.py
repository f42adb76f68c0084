"""Whether an examination is in date (JOB.md 1.21; CONTRACT C: on its due day it still counts)."""

from datetime import date

import pytest

from service_api.domain.changes import changes_on
from service_api.domain.doubts import discrepancies
from service_api.domain.exams import due, standings
from service_api.domain.holds import holds
from tests import factories as f
from tests.histories import at, context, on, revision, state_of

ASKED = {"exams": [{"exam": "thorough", "months": 6}]}
PAGE = f.registered(occurred_at=on("01-01 00:00"))


def exam(result="pass", **more):
    data = {"exam": "thorough", "examiner": "outside person", "result": result} | more
    return f.entry("exam.recorded", data, signed={"by": "vouched"}, occurred_at=on("01-05 10:00"))


def hired(until, **more):
    hire = {"from": "2026-01-06", "until": until}
    return f.entry("unit.dispatched", {"to": "party-a", "hire": hire}, **({"occurred_at": on("01-06 08:00")} | more))


def held(*raws, today, **sheet):
    where = context(revision(**sheet), today=today)
    state = state_of(PAGE, *raws)
    found = [h for h in holds(state, where, discrepancies(state, where)) if h.key.partition(":")[0] in ("exam", "hire")]
    return [(h.key, h.since, h.entries) for h in found]


@pytest.mark.parametrize(("day", "until", "blocked"), [
    ("2026-06-30", None, False),
    ("2026-07-01", None, True),
    ("2026-06-01", "2026-06-30", False),
    ("2026-06-01", "2026-07-01", True),
])  # fmt: skip
def test_due_before_the_day_or_before_the_end_of_the_hire(day, until, blocked):
    """CONTRACT C, exams: due before the release's day, or before `until` of the hire; on its due day it counts."""
    state = state_of(PAGE, exam(due_next="2026-06-30"))
    end = None if until is None else date.fromisoformat(until)
    assert blocked == bool(due(state, context(), date.fromisoformat(day), end))


def test_where_the_examiner_names_no_day_the_sheet_s_months_count():
    """Six months from 5 January is 5 July, the same-numbered day (JOB.md W2)."""
    (known,) = standings(state_of(PAGE, exam()), context(revision(**ASKED)))
    assert date(2026, 7, 5) == known.due_on
    assert [True, False] == [known.in_date(date(2026, 7, d)) for d in (5, 6)]


def test_where_nobody_names_a_day_it_stays_in_date():
    (known,) = standings(state_of(PAGE, exam()), context())
    assert (None, True) == (known.due_on, known.in_date(date(2030, 1, 1)))


def test_an_examination_that_the_sheet_asks_for_and_nobody_made_is_due_and_holds_nothing():
    where = context(revision(**ASKED))
    ((known, why),) = due(state_of(PAGE), where, date(2026, 1, 5))
    assert ("thorough", None, (), True) == (known.exam, known.last, known.entries, "on record" in why)
    assert [] == held(today="2026-01-05", **ASKED)


def test_a_failed_examination_holds_from_its_own_moment_until_one_is_passed():
    failed = exam("fail")
    assert [("exam:thorough", at("01-05 10:00"), (failed["id"],))] == held(failed, today="2026-01-05")
    again = exam(due_next="2026-06-30") | {"occurred_at": on("01-05 15:00")}
    assert [] == held(failed, again, today="2026-01-05")


def test_past_its_due_day_the_unit_is_held_since_that_day_was_over():
    passed = exam(due_next="2026-01-31")
    assert [] == held(passed, today="2026-01-31")
    assert [("exam:thorough", at("02-01 00:00"), (passed["id"],))] == held(passed, today="2026-02-01")


def test_a_due_day_before_the_examination_s_own_is_kept_and_holds_at_once():
    assert ["exam:thorough"] == [key for key, _, _ in held(exam(due_next="2026-01-04"), today="2026-01-05")]


def test_a_hire_that_outlasts_an_examination_holds_the_unit_until_it_is_back_or_examined():
    passed, out = exam(due_next="2026-01-31"), hired("2026-02-01")
    assert [("hire:thorough", at("01-06 08:00"), (out["id"], passed["id"]))] == held(passed, out, today="2026-01-07")
    assert [] == held(passed, hired("2026-01-31"), today="2026-01-07")
    assert [] == held(passed, out, f.received(occurred_at=on("01-07 08:00")), today="2026-01-07")
    later = exam(due_next="2026-12-31") | {"occurred_at": on("01-07 09:00")}
    assert [] == held(passed, out, later, today="2026-01-07")


def test_nobody_examines_scrap():
    gone = f.entry("unit.retired", {"why": "dropped", "authorised_by": f.SECOND}, occurred_at=on("01-06 09:00"))
    assert [] == held(exam(due_next="2026-01-31"), gone, today="2026-03-01")


def test_the_condition_changes_by_itself_on_the_day_after_the_due_day():
    """CONTRACT C: `changes_on` is the next day on which it changes by itself; 5 July and a day."""
    assert "2026-07-06" == changes_on(state_of(PAGE, exam()), context(revision(**ASKED)))
