"""Which parts cross a limit before their next planned service? JOB.md section 6, question 9, and story S1."""

from datetime import datetime, timedelta

import pytest

from tests.factories import (
    backlash,
    entry,
    reading,
    reattributed,
    registered,
    service_planned,
    sheet_issued,
    superseded,
    withdrawn,
)

WARNED = "2024-12-03T23:59:59+01:00"
FORECAST = "/v1/fleet/forecast"
START = datetime.fromisoformat("2025-01-06T08:00:00+01:00")
# y = 0.10, 0.14, 0.20, 0.24 at 0, 100, 200, 300 h, fifty days apart: the line reaches 0.31 at 441.667 h, 70.8 days
# after the last at 2 h a day (the sum stands in tests/unit/domain/test_wear.py)
VALUES = ["0.10", "0.14", "0.20", "0.24"]


def at(day):
    return (START + timedelta(days=day)).isoformat()


def worn(unit="U-1", values=VALUES, **more):
    return [
        reading(value, hours=f"{100 * n}.0", occurred_at=at(50 * n), unit=unit, **more)
        for n, value in enumerate(values)
    ]


@pytest.fixture
def unit(tell, clock):
    """Two units of a class; the clock stands on the day after the fourth reading."""
    clock.set(at(151))
    slots = [{"slot": "feed-nut", "title": "feed nut", "pieces": 1, "traced": "lot", "supply_days": 28}]
    changes = {"characteristics": [backlash()], "slots": slots, "service": {}}
    return tell(
        sheet_issued(changes=changes, occurred_at=at(-2), effective_on="2025-01-01"),
        registered(occurred_at=at(-2)),
        registered("U-2", occurred_at=at(-2)),
    )


def names(rows):
    return [(row["unit"], row["characteristic"]) for row in rows]


def test_q9_s1_is_flagged_on_3_december_2024_by_the_limit_that_acts(demo):
    """JOB.md 8.1: 0.31 about 7 June 2025, service 10 June, order by mid-February (16 weeks before)."""
    got = demo.ask(FORECAST, true_at=WARNED)
    (row,) = got["units"]
    assert ("SEL-004", "SEL-BL", "feed-nut", "0.31", "0.33") == tuple(
        row[m] for m in ("unit", "characteristic", "slot", "acting_limit", "limit")
    )
    assert ("2025-06-07", "2025-06-10", "2025-02-15") == (
        row["crossing"]["on"],
        row["next_service"]["on"],
        row["order_by"],
    )


def test_q9_s1_says_how_sure_and_from_how_many_points(demo):
    (row,) = demo.ask(FORECAST, true_at=WARNED)["units"]
    assert 6 == row["points"]
    assert row["crossing"]["earliest"] < row["crossing"]["on"] < row["crossing"]["latest"]
    assert float(row["interval"]["low"]) < float(row["slope"]) < float(row["interval"]["high"])
    assert 7 == len(row["entries"])  # six readings and the plan


def test_q9_s1_look_alike_and_healthy_units_stay_quiet_on_every_day_asked(demo):
    for day in ("2023-06-30", "2024-05-01", "2025-05-01"):
        got = demo.ask(FORECAST, true_at=f"{day}T12:00:00+01:00")
        assert [] == [n for n in names([*got["units"], *got["beyond"], *got["unplanned"]]) if n[0] != "SEL-004"]


def test_q9_s1_missed_twin_is_beyond_once_it_was_read(demo):
    got = demo.ask(FORECAST, true_at="2024-10-08T20:00:00+01:00")
    assert [("SEL-007", "SEL-BL")] == names(got["beyond"])


def test_q9_s1_after_the_new_nut_nothing_crosses(demo):
    assert [] == demo.ask(FORECAST, true_at="2025-10-20T12:00:00+01:00")["units"]


def test_q9_agrees_with_each_units_own_wear_answer(demo):
    (row,) = demo.ask(FORECAST, true_at=WARNED)["units"]
    wear = demo.ask("/v1/units/SEL-004/wear/SEL-BL", true_at=WARNED)
    for member in ("crossing", "next_service", "order_by", "verdict", "acting_limit"):
        assert wear[member] == row[member]


@pytest.mark.parametrize(("due", "found"), [(222, 1), (221, 0)])
def test_q9_a_crossing_before_the_planned_day_is_told_and_one_on_it_is_not(tell, ask, unit, due, found):
    """150 + 70.8 days: it crosses on day 221 at 04:00 or so; 221 itself is no day before."""
    tell(*worn(), service_planned(at(due)[:10], occurred_at=at(1)))
    assert found == len(ask(FORECAST)["units"])


def test_q9_until_cuts_by_the_day_of_the_crossing(tell, ask, unit):
    tell(*worn(), service_planned(at(300)[:10], occurred_at=at(1)))
    assert ([], 1) == (ask(FORECAST, until=at(219)[:10])["units"], len(ask(FORECAST, until=at(222)[:10])["units"]))


def test_q9_a_part_without_any_planned_service_is_told_apart(tell, ask, unit):
    """It cannot cross before a service that nobody planned, and must not be missed for that."""
    tell(*worn())
    got = ask(FORECAST)
    assert ([], [("U-1", "TST-BL")]) == (got["units"], names(got["unplanned"]))


def test_q9_what_is_past_its_limit_already_is_told_apart(tell, ask, unit):
    tell(*worn(values=["0.10", "0.20", "0.32"]))
    got = ask(FORECAST)
    assert ([], [("U-1", "TST-BL")]) == (got["units"], names(got["beyond"]))


def test_q9_a_jump_is_told_apart_until_another_reading_answers_it(tell, ask, unit, clock):
    clock.set(at(400))
    even = ["0.10", "0.11", "0.13", "0.14", "0.15", "0.17", "0.28"]
    tell(*worn(values=even))
    got = ask(FORECAST)
    assert [("U-1", "TST-BL")] == names(got["doubtful"])
    assert "jumped" == got["doubtful"][0]["flags"][0]["why"]


def test_q9_the_next_reading_moves_the_answer(tell, ask, unit, clock):
    """What was kept of the unit is made anew when its page moves, and of the other unit it is not."""
    plan = service_planned(at(300)[:10], occurred_at=at(1))
    tell(*worn(), plan)
    assert 1 == len(ask(FORECAST)["units"])
    clock.set(at(201))
    tell(reading("0.25", hours="400.0", occurred_at=at(200)))
    assert "0.25" == ask(FORECAST)["units"][0]["latest"]


def test_q9_a_new_limit_moves_the_answer_without_a_new_reading(tell, ask, unit):
    tell(*worn(), service_planned(at(300)[:10], occurred_at=at(1)))
    assert 1 == len(ask(FORECAST)["units"])
    looser = {"characteristics": [backlash(replace="0.90")], "service": {}}
    tell(sheet_issued(rev=2, effective_on=at(150)[:10], changes=looser, occurred_at=at(150)))
    assert [] == ask(FORECAST)["units"]


def test_q9_a_stricter_limit_finds_what_was_fine_without_a_new_reading(tell, ask, unit):
    tell(*worn(values=["0.10", "0.11", "0.13", "0.14"]), service_planned(at(300)[:10], occurred_at=at(1)))
    assert [] == ask(FORECAST)["units"]
    stricter = {"characteristics": [backlash(replace="0.19", watch="0.12")], "service": {}}
    tell(sheet_issued(rev=2, effective_on=at(150)[:10], changes=stricter, occurred_at=at(150)))
    assert [("U-1", "0.17")] == [(row["unit"], row["acting_limit"]) for row in ask(FORECAST)["units"]]


def test_q9_a_sheet_takes_effect_on_its_day_and_the_answer_with_it(tell, ask, unit, clock):
    tell(*worn(), service_planned(at(300)[:10], occurred_at=at(1)))
    looser = {"characteristics": [backlash(replace="0.90")], "service": {}}
    tell(sheet_issued(rev=2, effective_on=at(160)[:10], changes=looser, occurred_at=at(150)))
    assert 1 == len(ask(FORECAST)["units"])
    clock.set(at(160))
    assert [] == ask(FORECAST)["units"]


def test_q9_before_and_after_each_correction(tell, ask, unit):
    """Corrected, moved to the other unit, withdrawn: what was known then is answered as it was."""
    readings = worn()
    tell(*readings, service_planned(at(300)[:10], occurred_at=at(1)))
    tell(service_planned(at(300)[:10], unit="U-2", occurred_at=at(1)))
    first = ask(FORECAST)
    last = readings[-1]
    tell(superseded(last, last["data"] | {"readings": [{"value": "0.32"}]}, occurred_at=at(150)))
    corrected = ask(FORECAST)
    assert ([("U-1", "TST-BL")], []) == (names(corrected["beyond"]), corrected["units"])
    for each in readings:
        tell(reattributed(each, "unit:U-2", occurred_at=at(150)))
    assert [("U-2", "TST-BL")] == names(ask(FORECAST)["beyond"])
    tell(withdrawn(readings[0], occurred_at=at(150)))
    assert first["units"] == ask(FORECAST, known_index=first["as_of"]["index"])["units"]


def test_q9_a_unit_that_is_gone_is_not_forecast(tell, ask, unit):
    tell(*worn(), service_planned(at(300)[:10], occurred_at=at(1)))
    tell(entry("unit.retired", {"why": "worn", "authorised_by": "mo.manager"}, unit="U-1", occurred_at=at(150)))
    got = ask(FORECAST)
    assert ([], [], []) == (got["units"], got["beyond"], got["unplanned"])


def test_q9_works_without_the_numerical_libraries(tell, ask, unit, monkeypatch):
    import sys

    monkeypatch.setitem(sys.modules, "numpy", None)
    tell(*worn(), service_planned(at(300)[:10], occurred_at=at(1)))
    assert [("U-1", "TST-BL")] == names(ask(FORECAST)["units"])


@pytest.mark.parametrize("until", ["2025-01-01", "soon", "2025-13-01"])
def test_q9_a_day_that_is_none_or_has_passed_is_refused(client, unit, until):
    got = client.get(FORECAST, query_string={"until": until})
    assert (422, "bad-query") == (got.status_code, got.json["type"].rpartition("/")[2])
