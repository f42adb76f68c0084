"""Measured wear of what is in a slot (CONTRACT D, Wear). The hand calculations stand beside the checks."""

from datetime import date
from decimal import Decimal as D

import pytest

from service_api.domain.fold import step
from service_api.domain.moments import add_months
from service_api.domain.state import begin
from service_api.domain.timeline import fold
from service_api.domain.wear import wear
from tests import factories as f
from tests.histories import calibration, context, gauge, on, revision, true

DAYS = [on(f"{day} 09:00") for day in ("01-01", "02-20", "04-11", "05-31")]  # 50 days apart
HOURS = ["0.0", "100.0", "200.0", "300.0"]
VALUES = ["0.10", "0.14", "0.20", "0.24"]
PAGE = f.registered(occurred_at=on("01-01 00:00"))


def readings(*values, hours=HOURS, days=DAYS, **more):
    return [f.reading(v, hours=h, occurred_at=d, **more) for v, h, d in zip(values, hours, days, strict=False)]


def worn(*raws, code="TST-BL", today="2026-06-01", gauges=None, **changes):
    sheet = revision(**changes)
    facts = true(PAGE, *raws)
    state = fold(step, begin("U-1"), facts)
    return wear(state, facts, sheet.sheet.characteristic(code), context(sheet, today=today, gauges=gauges or {}))


def values(found):
    return [format(p.value, "f") for p in found.points]


# The line: x = 0, 100, 200, 300 h; y = 0.10, 0.14, 0.20, 0.24 turn.
# Means 150 and 0.17; Sxx = 50,000; Sxy = 24; slope = 0.00048 per h; intercept = 0.17 - 0.072 = 0.098.
# Residuals 0.002, -0.006, 0.006, -0.002; SSE = 8e-5; sd = sqrt(8e-5 / 2) = 0.00632456.
# se(slope) = 0.00632456 / sqrt(50,000) = 2.82843e-5; t(0.95; 2) = 2.91999 (any table); half = 8.2590e-5.
# The limit 0.33 acts at 0.31: 150 + 0.14 / 0.00048 = 441.667 h.


def test_the_line_is_that_of_the_hand_calculation():
    fit = worn(*readings(*VALUES)).fit
    assert (4, D("0.098"), D("0.048"), "100", "h") == (fit.n, fit.intercept, fit.slope, fit.per.value, fit.per.uom)
    assert D("0.00632456") == fit.residual_sd
    assert (D("0.039741"), D("0.056259")) == (fit.interval.low, fit.interval.high)


def test_the_crossing_is_dated_by_the_use_since_the_last_reading():
    """300 h in 150 days are 2 h a day; (441.667 - 300) / 2 = 70.83 days from 31 May, 09:00: 10 August, 05:00."""
    found = worn(*readings(*VALUES))
    assert (D(2), "h/d", D("0.33"), D("0.31")) == (
        found.use_rate.value,
        found.use_rate.uom,
        found.limit,
        found.acting_limit,
    )
    assert (D("441.7"), "2026-08-10") == (found.crossing.hours, found.crossing.on)


def test_the_earliest_and_latest_day_are_fieller_s():
    """g = (8.2590e-5 / 0.00048)^2 = 0.029606; half = 2.91999 * 13.1762 * sqrt((1 - g) / 4 + 291.667^2 / 50000) = 53.64.
    150 + (291.667 -+ 53.64) / (1 - g) = 395.29 and 505.85 h: 47.64 and 102.92 days from 31 May, 09:00."""
    found = worn(*readings(*VALUES))
    assert ("2026-07-18", "2026-09-11") == (found.crossing.earliest, found.crossing.latest)


@pytest.mark.parametrize(("due", "verdict"), [("2026-08-11", "crosses_before_service"), ("2026-08-10", "fine")])
def test_a_crossing_before_the_next_service_is_said(due, verdict):
    plan = f.service_planned(due, occurred_at=on("01-02 08:00"))
    found = worn(*readings(*VALUES), plan)
    assert (verdict, due, plan["id"]) == (found.verdict, found.next_service.on, found.next_service.entry)


def test_the_next_service_is_forecast_on_the_line():
    """31 May to 1 September are 93 days: 300 + 186 = 486 h; 0.098 + 0.00048 * 486 = 0.33128."""
    service = worn(*readings(*VALUES), f.service_planned("2026-09-01", occurred_at=on("01-02 08:00"))).next_service
    assert (D("486.0"), D("0.3313")) == (service.hours, service.forecast)


def test_without_a_plan_the_sheet_s_interval_after_the_last_service_counts():
    """Closed on 5 January, every 6 months: 5 July. An open plan that is earlier goes before it."""
    job = (
        f.job_opened(occurred_at=on("01-05 08:00")),
        f.entry("job.closed", {"job": "J-1"}, occurred_at=on("01-05 17:00")),
    )
    assert "2026-07-05" == worn(*readings(*VALUES), *job).next_service.on
    early = f.service_planned("2026-06-20", occurred_at=on("01-06 08:00"))
    assert "2026-06-20" == worn(*readings(*VALUES), *job, early).next_service.on


def test_the_order_goes_out_before_the_supply_time():
    """10 August less 21 days is 20 July."""
    slots = [{"slot": "feed-nut", "title": "nut", "pieces": 1, "traced": "lot", "supply_days": 21}]
    assert "2026-07-20" == worn(*readings(*VALUES), slots=slots).order_by


# Verdicts, the first that holds


def test_a_latest_value_past_the_acting_limit_is_beyond_and_has_no_crossing():
    found = worn(*readings("0.10", "0.14", "0.20", "0.32"))
    assert ("beyond", None) == (found.verdict, found.crossing)
    assert "beyond" == worn(*readings("0.32")).verdict, "one point is enough for that"
    assert "too_few_points" == worn(*readings("0.31")).verdict, "exactly at it is not past it"


def test_under_three_points_there_is_no_line():
    found = worn(*readings("0.10", "0.14"))
    assert ("too_few_points", None, None) == (found.verdict, found.fit, found.crossing)
    assert "too_few_points" == worn().verdict


def test_three_readings_at_the_same_hours_make_no_line():
    assert "too_few_points" == worn(*readings(*VALUES, hours=["100.0"] * 4)).verdict


def test_a_slope_whose_interval_holds_zero_is_no_trend():
    """y = 0.10, 0.12, 0.10, 0.12: slope 4e-5, sd 0.0134, se 6e-5: 4e-5 -+ 1.75e-4."""
    found = worn(*readings("0.10", "0.12", "0.10", "0.12"))
    assert ("no_trend", None, 4) == (found.verdict, found.crossing, found.fit.n)


def test_what_gets_better_by_no_more_than_its_uncertainty_does_not_cross():
    """Steps of 0.02 are within U 0.02, so they count; the slope is -0.02 in 100 h."""
    found = worn(*readings("0.16", "0.14", "0.12", "0.10"))
    assert ("fine", None, 4, ()) == (found.verdict, found.crossing, found.fit.n, found.flags)


def fitted(found):
    return [point.fitted for point in found.points]


def test_an_improvement_without_work_is_flagged_and_not_fitted():
    """0.16 after 0.20 is better by 0.04, more than U 0.02; the line is that of the other four."""
    days, hours = [*DAYS, on("07-20 09:00")], [*HOURS, "400.0"]
    found = worn(*readings("0.10", "0.14", "0.20", "0.16", "0.28", days=days, hours=hours))
    assert ([True, True, True, False, True], 4) == (fitted(found), found.fit.n)
    (flag,) = found.flags
    assert ("improved", found.points[3].entry) == (flag.why, flag.entry)


@pytest.mark.parametrize(
    "between",
    [
        f.work_done("AC-DRS", more={"slot": "feed-nut"}, occurred_at=on("05-01 09:00")),
        f.entry(
            "setting.left", {"setting": "drag", "value": f.q("30", "N")}, unit="U-1", occurred_at=on("05-01 09:00")
        ),
    ],
    ids=["work", "setting"],
)
def test_an_improvement_that_work_explains_is_fitted(between):
    found = worn(*readings("0.10", "0.14", "0.20", "0.16"), between)
    assert ([True] * 4, ()) == (fitted(found), found.flags)


def test_work_on_another_slot_explains_nothing():
    between = f.work_done("AC-DRS", more={"slot": "bearing"}, occurred_at=on("05-01 09:00"))
    assert "improved" == worn(*readings("0.10", "0.14", "0.20", "0.16"), between).flags[0].why


LONG_DAYS = [on(f"{day} 09:00") for day in ("01-01", "01-21", "02-10", "03-02", "03-22", "04-11", "05-01", "05-21")]
LONG_HOURS = [f"{100 * n}.0" for n in range(8)]
EVEN = ("0.10", "0.11", "0.13", "0.14", "0.15", "0.17")  # close about 0.0137 a step


def long(*values):
    return worn(*readings(*values, days=LONG_DAYS, hours=LONG_HOURS))


def test_a_jump_is_flagged_and_no_forecast_is_made_on_the_line_that_it_left():
    found = long(*EVEN, "0.28")
    assert ("jumped", [True] * 6 + [False], "no_trend", None) == (
        found.flags[0].why,
        fitted(found),
        found.verdict,
        found.crossing,
    )


def test_a_jump_past_the_acting_limit_is_beyond_all_the_same():
    assert "beyond" == long(*EVEN, "0.32").verdict


def test_a_jump_that_the_next_reading_does_not_confirm_was_a_misreading():
    found = long(*EVEN, "0.28", "0.19")
    assert ([True] * 6 + [False, True], 7) == (fitted(found), found.fit.n)


def test_a_jump_that_the_next_reading_confirms_begins_the_series_anew():
    found = long(*EVEN, "0.28", "0.29")
    assert ([False] * 6 + [True] * 2, "too_few_points") == (fitted(found), found.verdict)
    assert ["jumped"] == [flag.why for flag in found.flags[:1]]


def test_without_a_stated_uncertainty_nothing_is_left_out():
    row = f.backlash(uncertainty=None, rule="simple")
    assert ([True] * 4, ()) == (lambda w: (fitted(w), w.flags))(
        worn(*readings("0.10", "0.14", "0.20", "0.10"), characteristics=[row])
    )


def test_a_characteristic_that_is_worse_when_lower_is_mirrored():
    """y = 0.24 ... 0.10 against a plain lower limit of 0.05: 150 + (0.05 - 0.17) / -0.00048 = 400 h, 50 days later."""
    row = f.backlash(worse="lower", replace="0.05", watch="0.08", rule="simple")
    found = worn(*readings("0.24", "0.20", "0.14", "0.10"), characteristics=[row])
    assert (D("400.0"), "2026-07-20", "fine") == (found.crossing.hours, found.crossing.on, found.verdict)
    assert "beyond" == worn(*readings("0.04"), characteristics=[row]).verdict


# The series


def test_a_fit_begins_a_new_series_and_only_in_that_slot():
    old = readings("0.10", "0.14", "0.20")
    fit = f.fitted("feed-nut", f.piece(serial="N-8"), occurred_at=on("05-01 09:00"))
    found = worn(*old, fit, f.reading("0.05", hours="300.0", occurred_at=DAYS[3]))
    assert (["0.05"], fit["id"], D("200.0")) == (values(found), found.occupant.entry, found.occupant.hours_at_fit)
    other = f.fitted("bearing", occurred_at=on("05-01 09:00"))
    assert ["0.10", "0.14", "0.20", "0.24"] == values(worn(*readings(*VALUES), other))


@pytest.mark.parametrize(
    ("activity", "slot", "left"),
    [("AC-ADJ", "feed-nut", 1), ("AC-RPL", "feed-nut", 1), ("AC-CLN", "feed-nut", 4), ("AC-ADJ", "bearing", 4)],
)
def test_an_adjustment_or_replacement_on_the_slot_begins_a_new_series(activity, slot, left):
    work = f.work_done(activity, more={"slot": slot}, occurred_at=on("05-01 09:00"))
    assert VALUES[-left:] == values(worn(*readings(*VALUES), work))


@pytest.mark.parametrize(("treatment", "left"), [("renewed", 1), ("reconditioned", 4), ("kept", 4)])
def test_a_rebuild_begins_one_where_it_renewed_the_slot(treatment, left):
    data = {"standard": "RB", "scope": [{"slot": "feed-nut", "treatment": treatment}]}
    rebuilt = f.entry("rebuild.completed", data, occurred_at=on("05-01 09:00"))
    assert VALUES[-left:] == values(worn(*readings(*VALUES), rebuilt))


def test_an_as_left_is_a_point_only_as_the_first_of_a_series():
    """As found and in service are points; as left after an adjustment begins the series, later ones are no points."""
    raws = [
        f.reading("0.24", hours="100.0", occurred_at=on("02-01 09:00")),
        f.work_done("AC-ADJ", more={"slot": "feed-nut"}, occurred_at=on("02-01 10:00")),
        f.reading("0.08", stage="as_left", hours="100.0", occurred_at=on("02-01 11:00")),
        f.reading("0.12", stage="in_service", hours="150.0", occurred_at=on("03-01 09:00")),
        f.reading("0.13", stage="stand", hours="160.0", occurred_at=on("03-02 09:00")),
        f.reading("0.09", stage="as_left", hours="160.0", occurred_at=on("03-03 09:00")),
        f.reading("0.16", hours="200.0", occurred_at=on("04-01 09:00")),
    ]
    found = worn(*raws)
    assert ["0.08", "0.12", "0.16"] == values(found)
    assert ["as_left", "in_service", "as_found"] == [p.stage for p in found.points]


def test_after_an_adjustment_without_an_as_left_the_series_begins_at_the_next_as_found():
    work = f.work_done("AC-ADJ", more={"slot": "feed-nut"}, occurred_at=on("03-01 09:00"))
    assert ["0.20", "0.24"] == values(worn(*readings(*VALUES), work))


def test_an_undecided_reading_is_no_point():
    """Taken with a gauge that was overdue on the day."""
    bad = f.reading("0.30", hours="250.0", gauge="G-1", occurred_at=on("05-01 09:00"))
    overdue = {"G-1": gauge(calibration("01-01 09:00", due="2026-02-01"))}
    assert VALUES == values(worn(*readings(*VALUES), bad, gauges=overdue))
    sound = {"G-1": gauge(calibration("01-01 09:00"))}
    assert [*VALUES[:3], "0.30", "0.24"] == values(worn(*readings(*VALUES), bad, gauges=sound))


def test_hours_come_from_the_unit_s_chain_and_the_last_meter_reading_stands():
    meter = f.meter_read("120.0", occurred_at=on("02-01 09:00"))
    (point,) = worn(meter, f.reading("0.10", occurred_at=on("02-02 09:00"))).points
    assert (D("120.0"), on("02-02 09:00")) == (point.hours, point.at)


def test_a_unit_without_a_meter_has_no_points():
    assert ("too_few_points", ()) == (worn(f.reading("0.10")).verdict, worn(f.reading("0.10")).points)


def test_use_is_counted_from_the_oldest_reading_within_370_days_of_the_last():
    """1 Jan 2025 (0 h) is 515 days before 31 May 2026; from 20 Feb 2026: 100 h in 100 days are 1 h a day."""
    old = f.reading("0.02", hours="0.0", occurred_at="2025-01-01T09:00:00+01:00")
    late = readings("0.14", "0.20", "0.24", hours=["100.0", "150.0", "200.0"], days=DAYS[1:])
    assert D(1) == worn(old, *late).use_rate.value


# Gaps


def test_a_service_without_a_value_leaves_a_gap():
    """Between 0 h on 1 January and 100 h on 20 February a service was done in which nobody measured."""
    job = f.job_opened(occurred_at=on("02-01 09:00"))
    (gap,) = worn(*readings(*VALUES), job).gaps
    assert (DAYS[0], DAYS[1], D("100.0"), (job["id"],)) == (gap.from_, gap.until, gap.hours, gap.entries)


def test_a_service_with_a_value_or_another_job_leaves_none():
    job = f.job_opened(occurred_at=on("02-01 09:00"))
    with_value = f.reading("0.12", hours="60.0", occurred_at=on("02-01 10:00"), job="J-1")
    assert () == worn(*readings(*VALUES), job, with_value).gaps
    assert () == worn(*readings(*VALUES), f.job_opened("J-1", "repair", occurred_at=on("02-01 09:00"))).gaps


@pytest.mark.parametrize(("answer", "gaps"), [("ok", 1), ("defect", 1), ("not_done", 0)])
def test_a_check_of_the_characteristic_that_was_ticked_without_a_value_leaves_a_gap(answer, gaps):
    checks = [{"check": "backlash", "title": "backlash", "blocking": True, "characteristic": "TST-BL"}]
    tick = f.check_answered("backlash", answer, occurred_at=on("02-01 09:00"))
    assert gaps == len(worn(*readings(*VALUES), tick, checks=checks).gaps)


def test_a_gap_may_be_open_at_the_end():
    job = f.job_opened(occurred_at=on("06-10 09:00"))
    (gap,) = worn(*readings(*VALUES), job, today="2026-07-01").gaps
    assert (DAYS[3], None, None) == (gap.from_, gap.until, gap.hours)


@pytest.mark.parametrize(
    ("day", "months", "then"),
    [
        ("2024-01-31", 1, "2024-02-29"),
        ("2023-01-31", 1, "2023-02-28"),
        ("2024-08-31", 6, "2025-02-28"),
        ("2024-11-05", 2, "2025-01-05"),
    ],
)
def test_a_month_later_is_the_same_day_or_the_last_of_the_month(day, months, then):
    """JOB.md W2."""
    assert date.fromisoformat(then) == add_months(date.fromisoformat(day), months)
