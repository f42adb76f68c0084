"""Question 4 of JOB.md 6: is this gauge fit for this limit today, and which would do (CONTRACT D, Gauge fitness)."""

from typing import Any

import pytest

from tests import factories as f

EARLY = {"occurred_at": "2026-01-02T08:00:00+01:00"}


def row(code: str = "TST-WP", **changes: Any) -> dict[str, Any]:
    """New 0.05 to 0.10 mm, replaced at 0.40: a span of wear of 0.30 mm."""
    return f.offset(**({"code": code, "new": ["0.05", "0.10"], "watch": "0.25", "replace": "0.40"} | changes))


def calibrated(gauge: str, u: str | None = "0.010", due: str = "2027-01-01", uom: str = "mm", **more: Any) -> Any:
    data = {"as_found": [{"at": "0.50", "error": "0.000"}], "allowed_error": "0.020", "uom": uom, "due": due}
    data |= f.without_none({"uncertainty": u, "range": ["0", "10"]})
    return f.entry("gauge.calibrated", data, unit=gauge, **(EARLY | more))


@pytest.fixture(autouse=True)
def gauges(tell: Any) -> Any:
    """A machine's sheet, and dials: G-1 fine, G-2 coarse, G-3 overdue; a caliper G-4; a pressure gauge G-5."""
    return tell(
        f.sheet_issued(changes={"characteristics": [row(), f.backlash(lead=f.q("2.0", "mm"))]}, **EARLY),
        *(f.registered(g, "GDIAL", **EARLY) for g in ("G-1", "G-2", "G-3")),
        f.registered("G-4", "GCALIPER", **EARLY),
        f.registered("G-5", "GPRESSURE", **EARLY),
        f.registered("G-6", "GDIAL", **EARLY),
        calibrated("G-1"),
        calibrated("G-2", u="0.080"),
        calibrated("G-3", due="2026-01-04"),
        calibrated("G-4", u="0.050"),
        calibrated("G-5", u="0.010", uom="bar"),
    )


def fitness(ask: Any, gauge: str, code: str = "TST-WP", **query: str) -> dict[str, Any]:
    found: dict[str, Any] = ask(f"/v1/gauges/{gauge}/fitness", characteristic=code, **query)
    return found


def test_q4_a_gauge_in_date_in_range_and_fine_enough_is_fit(ask, gauges) -> None:
    """0.010 by 0.30 is 0.033."""
    found = fitness(ask, "G-1")
    assert (True, "ok", "0.033", []) == (found["fit"], found["why"], found["ratio"], found["instead"])
    assert ("0.40", "0.010", "mm", "2027-01-01", "TST") == tuple(
        found[name] for name in ("limit", "uncertainty", "uom", "due", "class")
    )
    assert [gauges[7]["id"]] == found["entries"]


def test_q4_one_that_is_too_coarse_is_refused_and_others_are_named_its_like_first(ask) -> None:
    """0.080 by 0.30 is 0.267, above a quarter; the caliper's 0.050 is 0.167."""
    found = fitness(ask, "G-2")
    assert (False, "too-coarse", "0.267", ["G-1", "G-4"]) == (
        found["fit"],
        found["why"],
        found["ratio"],
        found["instead"],
    )


@pytest.mark.parametrize(("u", "why"), [("0.075", "ok"), ("0.076", "too-coarse")])
def test_q4_a_quarter_of_the_span_is_the_most(tell, ask, u, why) -> None:
    tell(calibrated("G-6", u=u))
    assert why == fitness(ask, "G-6")["why"]


def test_q4_one_out_of_date_is_refused_from_the_day_after_it_was_due(ask) -> None:
    assert "ok" == fitness(ask, "G-3", on="2026-01-04")["why"]
    found = fitness(ask, "G-3", on="2026-01-05")
    assert ("overdue", "2026-01-04", ["G-1", "G-4"]) == (found["why"], found["due"], found["instead"])


def test_q4_one_that_was_never_calibrated_and_one_that_measures_something_else(ask) -> None:
    assert ("overdue", None, []) == tuple(fitness(ask, "G-6")[name] for name in ("why", "ratio", "entries"))
    assert ("out-of-range", ["G-1", "G-4"]) == tuple(fitness(ask, "G-5")[name] for name in ("why", "instead"))


def test_q4_one_whose_next_calibration_found_it_out(tell, ask) -> None:
    tell(
        calibrated("G-6", occurred_at="2026-01-03T08:00:00+01:00"),
        f.entry(
            "gauge.calibrated",
            {
                "as_found": [{"at": "0.50", "error": "0.030"}],
                "allowed_error": "0.020",
                "uom": "mm",
                "due": "2027-01-05",
            },
            unit="G-6",
        ),
    )
    assert "found-out" == fitness(ask, "G-6", on="2026-01-04")["why"]
    assert "ok" == fitness(ask, "G-6", on="2026-01-05")["why"], "it was put right"


def test_q4_turns_at_a_crank_are_measured_as_a_length_by_the_lead_of_the_screw(ask) -> None:
    """0.33 turn of 2.0 mm is 0.66 mm."""
    assert ("ok", "0.660") == tuple(fitness(ask, "G-1", "TST-BL")[name] for name in ("why", "limit"))


def test_q4_as_it_was_known_then(tell, ask) -> None:
    before = fitness(ask, "G-6")["as_of"]["index"]
    tell(calibrated("G-6"))
    assert "ok" == fitness(ask, "G-6")["why"]
    assert "overdue" == fitness(ask, "G-6", known_index=str(before))["why"]


def test_q4_a_code_of_two_classes_wants_its_class(tell, ask, client) -> None:
    tell(f.sheet_issued("OTH", changes={"characteristics": [row(replace="9.00")]}, **EARLY))
    answer = client.get("/v1/gauges/G-1/fitness?characteristic=TST-WP")
    assert (422, "?class") == (answer.status_code, answer.json["errors"][0]["pointer"])
    assert "0.40" == fitness(ask, "G-1", **{"class": "TST"})["limit"]


def test_q4_what_cannot_be_asked(client) -> None:
    assert 404 == client.get("/v1/gauges/G-77/fitness?characteristic=TST-WP").status_code
    assert 404 == client.get("/v1/gauges/G-1/fitness?characteristic=TST-ZZ").status_code
    assert 422 == client.get("/v1/gauges/G-1/fitness").status_code
    assert 422 == client.get("/v1/gauges/G-1/fitness?characteristic=TST-WP&on=today").status_code


def test_q4_s3_the_dial_of_rack_2_was_found_out(demo) -> None:
    """JOB.md S3: good on 8 September 2023, found out on 12 September 2024."""
    found = demo.ask("/v1/gauges/G-017/fitness", characteristic="SEL-WP", on="2024-06-18")
    assert (False, "found-out") == (found["fit"], found["why"])
    assert "G-022" in found["instead"]
    assert "G-017" not in found["instead"]
