"""How many sets will be needed, and how sure: JOB.md section 6, question 15; CONTRACT D, Spares."""

import subprocess
import sys
from datetime import datetime, timedelta

import pytest
from scipy import stats

from tests.factories import (
    entry,
    finding_raised,
    fitted,
    lot_received,
    meter_read,
    piece,
    registered,
    sheet_issued,
    withdrawn,
)

START = datetime.fromisoformat("2025-01-06T08:00:00+01:00")
PART = "P-1"
NIST = [54, 187, 216, 240, 244, 335, 361, 373, 375, 386]  # NIST/SEMATECH e-Handbook 8.4.1.3, ten more at 500 h


def at(day, minute=0):
    return (START + timedelta(days=day, minutes=minute)).isoformat()


def out(day, finding=None, unit="U-1", to="scrap"):
    """The set comes out; with a finding it has failed."""
    data = {"slot": "feed-nut", "to": to} | ({"finding": finding} if finding else {})
    return entry("part.removed", data, unit=unit, occurred_at=at(day, 30))


def into(day, unit="U-1", **more):
    return fitted("feed-nut", piece(PART, 1, **more), unit=unit, occurred_at=at(day, 40))


def read(day, hours, unit="U-1"):
    return meter_read(str(hours), unit=unit, occurred_at=at(day))


SLOTS = [{"slot": "feed-nut", "title": "feed nut", "pieces": 1, "traced": "lot", "supply_days": 28}]


@pytest.fixture
def unit(tell, clock):
    """One unit of a class with a nut to supply in 28 days; the clock stands at the end of 2025."""
    clock.set("2025-12-31T12:00:00+00:00")
    meters = {"meters": [{"meter": "hours", "uom": "h"}]}
    return tell(
        sheet_issued(changes={"slots": SLOTS}, occurred_at=at(-2), effective_on="2025-01-01"),
        registered(more=meters, occurred_at=at(-2)),
    )


def worn_and_running(tell):
    """A nut failed at 200 h on day 100; the next is running with 300 h on day 250: 500 h in 250 days."""
    tell(
        read(0, 0),
        into(0),
        read(100, 200),
        finding_raised("F-1", occurred_at=at(100, 10)),
        *(last := [out(100, "F-1"), into(100)]),
        read(250, 500),
    )
    return last


def test_q15_few_failures_give_a_constant_rate_worked_by_hand(tell, ask, unit):
    """One failure in 200 + 300 h is one in 500 h. 2 h a day from 31 December to 1 July are 182 days, 364 h: 0.728.

    Interval by the chi-square factors of NIST/SEMATECH e-Handbook 8.4.5.1 for one failure and 90 %.
    """
    worn_and_running(tell)
    got = ask("/v1/spares/forecast", part_no=PART, until="2026-07-01")
    assert ("0.728", {"failed": 1, "running": 1, "ended_sound": 0, "model": "exponential"}) == (
        got["expected"],
        {k: got["basis"][k] for k in ("failed", "running", "ended_sound", "model")},
    )
    low, high = 364 * stats.chi2.ppf(0.05, 2) / 1000, 364 * stats.chi2.ppf(0.95, 4) / 1000
    assert pytest.approx((low, high), rel=1e-3) == (float(got["interval"]["low"]), float(got["interval"]["high"]))
    assert ("500", 1) == (got["basis"]["scale"], got["pieces"])


def test_q15_the_stock_covers_95_of_100_and_is_to_be_ordered_in_time(tell, ask, unit):
    """Poisson 0.728: P(0, 1) = 0.834, P(2) = 0.962. Two nuts; none on the shelf, so order 28 days before the first
    day on which 5 in 100 would be left without: 0.0513 of a failure, 25.6 h, after 13 days.
    """
    worn_and_running(tell)
    got = ask("/v1/spares/forecast", part_no=PART, until="2026-07-01")
    assert (2, None, 28) == (got["stock"]["sets"], got["stock"]["on_hand"], got["supply_days"])
    first = datetime(2025, 12, 31) + timedelta(days=13 - 28)
    assert first.date().isoformat() == got["order_by"]


def test_q15_what_lies_on_the_shelf_puts_the_order_off(tell, ask, unit):
    """Four received, one of them fitted from stock by its lot: three left, enough for 0.728 expected."""
    tell(lot_received("L-1", 4, occurred_at=at(-1)))
    tell(read(0, 0), into(0, lot="L-1"), read(200, 400), out(200, "F-1"), into(200), read(250, 500))
    got = ask("/v1/spares/forecast", part_no=PART, until="2026-07-01")
    assert (3, None) == (got["stock"]["on_hand"], got["order_by"])


def test_q15_running_sets_are_survivors_and_lengthen_the_life(tell, ask, unit):
    """With the running 300 h counted the mean is 500 h; failures alone would say 200 h."""
    worn_and_running(tell)
    assert "500" == ask("/v1/spares/forecast", part_no=PART, until="2026-07-01")["basis"]["scale"]


def test_q15_a_removal_without_a_finding_ended_sound(tell, ask, unit):
    tell(read(0, 0), into(0), read(100, 200), out(100), into(100), read(250, 500))
    basis = ask("/v1/spares/forecast", part_no=PART, until="2026-07-01")["basis"]
    assert (0, 1, 1, None) == (basis["failed"], basis["running"], basis["ended_sound"], basis["scale"])


def test_q15_no_failure_yet_expects_none_and_says_how_many_it_may_be(tell, ask, unit):
    """-ln 0.05 = 3.00 over 500 h bounds the rate at 95 %: 364 h * 2.996 / 500 = 2.18."""
    tell(read(0, 0), into(0), read(250, 500))
    got = ask("/v1/spares/forecast", part_no=PART, until="2026-07-01")
    assert ("0", "0") == (got["expected"], got["interval"]["low"])
    assert pytest.approx(364 * 2.9957 / 500, rel=1e-3) == float(got["interval"]["high"])


def test_q15_from_five_failures_on_a_weibull_life_is_fitted_with_its_survivors(tell, ask, unit):
    """The ten lives of NIST/SEMATECH e-Handbook 8.4.1.3, ten nuts taken out sound at 500 h, one running at 100 h.

    SciPy fits the same; the running nut will do 7871 h / 350 d for 182 days from 100 h on.
    """
    hours, day, told = 0, 0, [read(0, 0)]
    for life, finding in [*((h, "F-1") for h in NIST), *((500, None) for _ in range(10))]:
        told.append(into(day))
        hours, day = hours + life, day + 17
        told += [read(day, hours), out(day, finding)]
    told += [into(day), read(day + 10, hours + 100)]
    tell(*told)
    got = ask("/v1/spares/forecast", part_no=PART, until="2026-07-01")
    data = stats.CensoredData(uncensored=NIST, right=[500] * 10 + [100])
    shape, _, scale = stats.weibull_min.fit(data, floc=0)
    ahead = 182 * (hours + 100) / (day + 10)
    expected = ((100 + ahead) / scale) ** shape - (100 / scale) ** shape
    assert (10, 1, 10, "weibull") == tuple(got["basis"][k] for k in ("failed", "running", "ended_sound", "model"))
    assert pytest.approx((shape, scale), rel=2e-3) == (float(got["basis"]["shape"]), float(got["basis"]["scale"]))
    assert pytest.approx(expected, rel=5e-3) == float(got["expected"])
    assert float(got["interval"]["low"]) < float(got["expected"]) < float(got["interval"]["high"])


def test_q15_five_failures_at_one_age_have_no_shape_and_the_answer_says_so(tell, ask, unit):
    hours, day, told = 0, 0, [read(0, 0)]
    for _ in range(5):
        told.append(into(day))
        hours, day = hours + 100, day + 30
        told += [read(day, hours), out(day, "F-1")]
    tell(*told, into(day))
    basis = ask("/v1/spares/forecast", part_no=PART, until="2026-07-01")["basis"]
    assert ("exponential", "one-age", 5) == (basis["model"], basis["why"], basis["failed"])


def test_q15_a_shape_too_steep_to_carry_on_falls_back_to_a_constant_rate_and_says_so(tell, ask, unit):
    """Five lives of 100.0 to 100.4 h: a shape of hundreds, which would expect 10**200 failures of a running 99 h."""
    hours, day, told = 0.0, 0, [read(0, 0)]
    for n in range(5):
        told.append(into(day))
        hours, day = round(hours + 100 + n / 10, 1), day + 30
        told += [read(day, hours), out(day, "F-1")]
    tell(*told, into(day), read(day + 30, round(hours + 99, 1)))
    got = ask("/v1/spares/forecast", part_no=PART, until="2027-07-01")
    assert ("exponential", "out-of-range") == (got["basis"]["model"], got["basis"]["why"])
    assert 0 < float(got["expected"]) < 100


def test_q15_lives_without_hours_expect_nothing_and_say_so(tell, ask, unit):
    tell(into(0))
    got = ask("/v1/spares/forecast", part_no=PART, until="2026-07-01")
    assert (None, None, None, "no-hours", 1) == (
        got["expected"],
        got["interval"],
        got["stock"],
        got["basis"]["why"],
        got["basis"]["unknown_hours"],
    )


def test_q15_before_and_after_a_correction(tell, ask, unit):
    """The failure was logged on the wrong card and is withdrawn with its refit; known then it still counts."""
    last = worn_and_running(tell)
    before = ask("/v1/spares/forecast", part_no=PART, until="2026-07-01")
    tell(*(withdrawn(fact, occurred_at=at(260)) for fact in last))
    after = ask("/v1/spares/forecast", part_no=PART, until="2026-07-01")
    again = ask("/v1/spares/forecast", part_no=PART, until="2026-07-01", known_index=before["as_of"]["index"])
    assert (1, 0, 1) == (before["basis"]["failed"], after["basis"]["failed"], again["basis"]["failed"])
    assert before["expected"] == again["expected"] != after["expected"]


def test_q15_as_of_a_past_day_only_what_had_happened_counts(tell, ask, unit):
    worn_and_running(tell)
    basis = ask("/v1/spares/forecast", part_no=PART, until="2026-07-01", true_at=at(50))["basis"]
    assert (0, 1) == (basis["failed"], basis["running"])


def test_q15_the_unit_that_is_gone_needs_no_more(tell, ask, unit):
    worn_and_running(tell)
    tell(entry("unit.retired", {"why": "worn", "authorised_by": "mo.manager"}, unit="U-1", occurred_at=at(300)))
    assert "0" == ask("/v1/spares/forecast", part_no=PART, until="2026-07-01")["expected"]


def test_q15_every_figure_names_its_entries(tell, ask, unit):
    last = worn_and_running(tell)
    assert {fact["id"] for fact in last} <= set(ask("/v1/spares/forecast", part_no=PART, until="2026-07-01")["entries"])


def test_q15_the_demo_tells_how_many_vane_sets_with_a_range(demo):
    """S1's and S4's sets are running, none has failed in what is told: a range from none."""
    got = demo.ask("/v1/spares/forecast", part_no="GRP-V18", until="2026-06-30")
    assert (5, 0) == (got["pieces"], got["basis"]["failed"])
    assert float(got["interval"]["low"]) == 0 < float(got["interval"]["high"])


@pytest.mark.parametrize(
    ("query", "status", "slug"),
    [
        ({"until": "2026-07-01"}, 422, "bad-query"),
        ({"part_no": PART}, 422, "bad-query"),
        ({"part_no": PART, "until": "2025-12-30"}, 422, "bad-query"),
        ({"part_no": PART, "until": "1 July"}, 422, "bad-query"),
        ({"part_no": "NONE", "until": "2026-07-01"}, 404, "not-found"),
    ],
)
def test_q15_a_question_that_means_nothing_is_refused(client, unit, query, status, slug):
    got = client.get("/v1/spares/forecast", query_string=query)
    assert (status, slug) == (got.status_code, got.json["type"].rpartition("/")[2])


def test_q15_without_the_numerical_libraries_it_says_what_to_install(tell, client, unit, monkeypatch):
    worn_and_running(tell)
    for name in ("numpy", "scipy", "scipy.special", "scipy.optimize"):
        monkeypatch.setitem(sys.modules, name, None)
    got = client.get("/v1/spares/forecast", query_string={"part_no": PART, "until": "2026-07-01"})
    assert (501, "needs-extra") == (got.status_code, got.json["type"].rpartition("/")[2])
    assert "fettlebook[numbers]" in got.json["detail"]
    assert 200 == client.get("/v1/complaints/cures").status_code


def test_q15_no_numerical_library_is_loaded_until_a_call_needs_it():
    program = (
        "import sys, service_api.app, service_api.fleet, service_api.http\n"
        "print([m for m in ('numpy', 'scipy') if m in sys.modules])"
    )
    assert (
        "[]"
        == subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True).stdout.strip()
    )
