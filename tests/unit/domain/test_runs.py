"""A stand run judged test by test: JOB.md 1.12, JOB.md 2.1 (Stand) and CONTRACT C (Gate blocks, final run)."""

from decimal import Decimal as D
from typing import Any

import pytest

from service_api.domain import runs
from service_api.domain.entries.jobs import RunRecorded
from service_api.domain.plain import make
from tests.histories import revision

PRESSURE = {"supply_pressure": {"low": "6.2", "high": "6.4", "uom": "bar"}}
# JOB.md 2.1, Stand: 6.3 bar at inlet under flow; free speed 56-66; feed over 20 revs, mean 0.09-0.11, spread <= 0.02
TESTS = [
    {"test": "free-speed", "title": "speed", "uom": "{rev}/min", "low": "56", "high": "66", "conditions": PRESSURE},
    {
        "test": "feed-mean",
        "title": "feed",
        "uom": "mm/{rev}",
        "low": "0.09",
        "high": "0.11",
        "form": "mean",
        "count": 3,
    },
    {"test": "feed-spread", "title": "spread", "uom": "mm/{rev}", "high": "0.02", "form": "range", "count": 3},
    {"test": "limits-stop", "title": "stops at both ends"},
    {"test": "case-drain", "title": "drain", "uom": "L/min", "high": "2.5", "variants": ["H"]},
]


def q(value: str, uom: str) -> dict[str, str]:
    return {"value": value, "uom": uom}


def feed(*values: str) -> list[dict[str, Any]]:
    figures = [q(v, "mm/{rev}") for v in values]
    return [{"test": "feed-mean", "values": figures}, {"test": "feed-spread", "values": figures}]


SPEED = {"test": "free-speed", "value": q("60", "{rev}/min")}
STOPS = {"test": "limits-stop", "answer": "ok"}
GOOD = [SPEED, *feed("0.10", "0.10", "0.09"), STOPS]


def judged(results: list[dict[str, Any]], pressure: str = "6.30", variant: str = "E", **more: Any) -> runs.RunAnswer:
    data = {"run": "R-1", "stage": "final", "sheet_rev": 1, "conditions": {"supply_pressure": q(pressure, "bar")}}
    body = make(RunRecorded, data | {"results": results} | more)
    sheet = revision(tests=[t | {"blocking": True} for t in TESTS])
    return runs.judge(body, "r", sheet, variant)


def outcomes(found: runs.RunAnswer) -> dict[str, str]:
    return {t.test: t.outcome for t in found.tests}


def test_a_run_on_conditions_and_inside_every_edge_passes() -> None:
    found = judged(GOOD)
    assert "passed" == found.outcome
    assert {"free-speed", "feed-mean", "feed-spread", "limits-stop"} == set(
        outcomes(found)
    )  # no drain on an electric one
    assert D("0.01") == next(t.value for t in found.tests if t.test == "feed-spread")


@pytest.mark.parametrize(
    ("instead", "test"),
    [
        ([SPEED | {"value": q("55", "{rev}/min")}, *GOOD[1:]], "free-speed"),
        ([SPEED, *feed("0.11", "0.12", "0.11"), STOPS], "feed-mean"),
        ([SPEED, *feed("0.10", "0.12", "0.09"), STOPS], "feed-spread"),  # the mean is fine
        ([*GOOD[:3], {"test": "limits-stop", "answer": "defect"}], "limits-stop"),
    ],
)
def test_one_blocking_test_outside_its_edge_fails_the_run(instead: list[dict[str, Any]], test: str) -> None:
    found = judged(instead)
    assert ("failed", "failed") == (found.outcome, outcomes(found)[test])


@pytest.mark.parametrize("pressure", ["6.19", "6.41"])
def test_a_run_off_conditions_shows_nothing_about_the_tests_that_ask_for_them(pressure: str) -> None:
    found = judged(GOOD, pressure)
    assert ("not_proved", "off_conditions", "passed") == (
        found.outcome,
        outcomes(found)["free-speed"],
        outcomes(found)["feed-mean"],
    )
    assert "not_proved" == judged(GOOD, conditions={}).outcome  # a condition that is not stated is off


def test_exactly_at_an_edge_is_not_past_it() -> None:
    assert "passed" == judged([SPEED | {"value": q("66", "{rev}/min")}, *GOOD[1:]], "6.4").outcome


def test_a_test_that_was_not_run_proves_nothing() -> None:
    found = judged(GOOD[:-1])
    assert ("not_proved", "not_run") == (found.outcome, outcomes(found)["limits-stop"])
    assert "not_run" == outcomes(judged(GOOD, variant="H"))["case-drain"]


def test_too_few_figures_prove_no_pass_but_a_bad_one_fails() -> None:
    assert "undecided" == outcomes(judged([SPEED, *feed("0.10", "0.10"), STOPS]))["feed-mean"]
    assert "failed" == outcomes(judged([SPEED, *feed("0.10", "0.13"), STOPS]))["feed-spread"]


def test_a_figure_of_another_kind_or_unknown_decides_nothing() -> None:
    assert "undecided" == outcomes(judged([SPEED | {"value": q("60", "bar")}]))["free-speed"]
    assert "undecided" == outcomes(judged([SPEED | {"value": {"unknown": "meter flat"}}]))["free-speed"]


def test_figures_are_read_in_the_sheets_uom_and_other_tests_are_told() -> None:
    found = judged([SPEED | {"value": q("1", "{rev}/s")}, *GOOD[1:], {"test": "smell", "answer": "ok"}])
    assert ("passed", ("smell",)) == (found.outcome, found.unlisted)


def test_without_the_stated_revision_nothing_is_proved() -> None:
    body = make(RunRecorded, {"run": "R-1", "stage": "final", "sheet_rev": 9, "conditions": {}, "results": []})
    assert "not_proved" == runs.judge(body, "r", None, None).outcome
