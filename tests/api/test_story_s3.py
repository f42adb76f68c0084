"""A dial that was found out: which decisions change (JOB.md 8.1, S3; question 26), on a book made for the test.

The table is that of the papers: number, day, unit, characteristic, read, corrected, acting limit, whether it flips.
"""

import json
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from tests import factories as f

SHEETS = Path(__file__).parents[2] / "seed" / "sheets"
TABLE = [
    line.split()
    for line in """
    1 2023-09-14 SEL-002 SEL-WP 0.17 0.178 0.40 no
    2 2023-09-27 FAC-004 FAC-AP 0.08 0.082 0.14 no
    3 2023-10-05 BOR-003 BOR-KY 0.09 0.093 0.20 no
    4 2023-10-25 MBD-001 MBD-SR 0.050 0.052 0.15 no
    5 2023-11-08 SEL-006 SEL-RT 0.095 0.098 0.10 no
    6 2023-11-21 FAC-007 FAC-WP 0.16 0.167 0.30 no
    7 2023-12-05 SEL-004 SEL-WP 0.22 0.231 0.40 no
    8 2023-12-19 BOR-005 BOR-KY 0.14 0.146 0.20 no
    9 2024-01-16 MBD-004 MBD-SR 0.080 0.082 0.15 no
    10 2024-01-30 SEL-008 SEL-RT 0.060 0.062 0.10 no
    11 2024-02-20 FAC-001 FAC-WP 0.29 0.302 0.30 yes
    12 2024-02-29 FAC-002 FAC-AP 0.07 0.072 0.14 no
    13 2024-03-13 BOR-001 BOR-KY 0.18 0.189 0.20 no
    14 2024-04-10 SEL-003 SEL-WP 0.36 0.374 0.40 no
    15 2024-04-23 MBD-006 MBD-SR 0.110 0.114 0.15 no
    16 2024-05-21 BOR-002 BOR-KY 0.03 0.031 0.20 no
    17 2024-06-04 FAC-005 FAC-AP 0.14 0.146 0.14 yes
    18 2024-06-18 SEL-004 SEL-WP 0.25 0.261 0.40 no
    19 2024-07-02 SEL-001 SEL-WP 0.39 0.405 0.40 yes
    20 2024-07-17 SEL-009 SEL-RT 0.045 0.046 0.10 no
    21 2024-08-06 MBD-002 MBD-SR 0.145 0.151 0.15 yes
    22 2024-08-27 BOR-006 BOR-KY 0.12 0.124 0.20 no
    23 2024-09-04 FAC-008 FAC-WP 0.21 0.220 0.30 no
    """.strip().splitlines()
]
CLEARED = {"2", "3", "4", "5", "9", "10", "12"}
OLD = {"source": {"kind": "history", "ref": "the depot's book"}}


def at(day: str, hour: int = 9) -> dict[str, Any]:
    return {"occurred_at": f"{day}T{hour:02d}:00:00+01:00"} | OLD


def calibrated(gauge: str, day: str, errors: str, due: str, left: str = "") -> dict[str, Any]:
    def points(text: str) -> list[dict[str, str]]:
        return [{"at": a, "error": e} for a, e in zip(("0.10", "0.20", "0.50", "1.00"), text.split(), strict=True)]

    data = {"as_found": points(errors), "allowed_error": "0.008", "uom": "mm", "due": due}
    return f.entry("gauge.calibrated", data | ({"as_left": points(left)} if left else {}), unit=gauge, **at(day, 10))


ZERO = "0.000 0.000 0.000 0.000"


def read(code: str, value: str, unit: str, day: str, gauge: str = "G-017") -> dict[str, Any]:
    """The worst of its places; at the others the same was read."""
    sheet = json.loads((SHEETS / f"{code[:3]}.json").read_text("utf-8"))
    row = next(c for c in sheet["characteristics"] if c["code"] == code)
    made = f.reading(characteristic=code, stage="as_found", uom="mm", gauge=gauge, unit=unit, **at(day, 11))
    made["data"]["readings"] = [{"value": value, "position": p} for p in row.get("positions", ())] or [{"value": value}]
    return made


def dispatched(unit: str, to: str, day: str) -> dict[str, Any]:
    hire = {"from": day, "until": "2024-12-31"}
    return f.entry("unit.dispatched", {"to": to, "hire": hire}, unit=unit, **at(day, 15))


@pytest.fixture
def story(tell: Any) -> dict[str, dict[str, Any]]:
    """By the number in the table, the recorded readings."""
    early = "2022-03-01"
    for class_ in ("SEL", "FAC", "BOR", "MBD"):
        sheet = json.loads((SHEETS / f"{class_}.json").read_text("utf-8"))
        data = {"rev": 1, "effective_on": early, "sheet": sheet}
        tell(f.entry("sheet.issued", data, subject=f"class:{class_}", **at(early)))
    variants = {"BOR": {"variant": "H"}, "MBD": {"variant": "I"}}
    for unit in sorted({row[2] for row in TABLE}):
        tell(f.registered(unit, unit[:3], more=variants.get(unit[:3]), **at(early)))
    tell(*(f.registered(gauge, "GDIAL", **at(early)) for gauge in ("G-017", "G-022")))
    check = {
        "points": [{"at": "0.00", "error": "0.000"}, {"at": "0.10", "error": "-0.002"}],
        "result": "pass",
        "covers": ["0.00", "0.10"],
        "uom": "mm",
    }
    tell(
        calibrated("G-022", "2023-02-01", ZERO, "2026-02-01"),
        calibrated("G-017", "2023-09-08", ZERO, "2024-09-12"),
        f.entry("gauge.checked", check, unit="G-017", **at("2024-03-04")),
    )
    readings = tell(*(read(code, value, unit, day) for _, day, unit, code, value, *_ in TABLE))
    wheel = {"slot": "worm-wheel", "pieces": [f.piece("WW-1", serial="W-2")], "from": "stock"}
    tell(
        read("FAC-WP", "0.31", "FAC-001", "2024-07-30", "G-022"),
        f.entry("part.fitted", wheel, unit="FAC-001", **at("2024-07-30", 14)),
        dispatched("SEL-001", "party-a", "2024-07-03"),
        dispatched("MBD-002", "party-b", "2024-08-07"),
        calibrated("G-017", "2024-09-12", "-0.003 -0.010 -0.018 -0.020", "2025-09-12", ZERO),
    )
    return {row[0]: entry for row, entry in zip(TABLE, readings, strict=True)}


def by_entry(found: dict[str, Any]) -> dict[str, dict[str, Any]]:
    return {row["entry"]: row for row in found["readings"]}


def test_q26_s3_every_reading_comes_out_as_the_papers_say(story, ask) -> None:
    rows = by_entry(ask("/v1/gauges/G-017/lookback"))
    told = [
        [
            n,
            row["at"][:10],
            row["unit"],
            row["characteristic"],
            row["read"],
            row["corrected"],
            "yes" if row["flips"] else "no",
        ]
        for n, row in ((n, rows[entry["id"]]) for n, entry in story.items())
    ]
    assert [[*row[:6], row[7]] for row in TABLE] == told
    limits = {n: Decimal(rows[entry["id"]]["acting_limit"]) for n, entry in story.items()}
    assert {row[0]: Decimal(row[6]) for row in TABLE} == limits


def test_q26_s3_seven_are_cleared_sixteen_stay_suspect_four_flip_three_need_action_two_on_hire(story, ask) -> None:
    found = ask("/v1/gauges/G-017/lookback")
    assert {
        "readings": 23,
        "units": 22,
        "cleared": 7,
        "suspect": 16,
        "flips": 4,
        "need_action": 3,
        "on_hire": 2,
    } == found["counts"]
    rows = by_entry(found)
    assert CLEARED == {n for n, entry in story.items() if rows[entry["id"]]["cleared"]}
    acting = {n: (row["unit_is"], row["party"]) for n, e in story.items() if (row := rows[e["id"]])["need_action"]}
    assert {"17": ("in_shop", None), "19": ("on_hire", "party-a"), "21": ("on_hire", "party-b")} == acting
    window = found["window"]
    assert ("2023-09-08T09:00", "2024-09-12T09:00") == (window["after"][:16], window["until"][:16])


def test_q26_s3_before_the_dial_was_found_out_nothing_was_in_doubt(story, ask) -> None:
    found = ask("/v1/gauges/G-017/lookback", true_at="2024-09-11T12:00:00+01:00")
    assert (None, [], 0) == (found["window"], found["readings"], found["counts"]["suspect"])
    assert None is ask("/v1/gauges/G-022/lookback")["window"]


def test_q26_s3_a_sound_gauge_that_reads_it_again_ends_the_need_to_act(story, tell, ask) -> None:
    tell(read("FAC-AP", "0.14", "FAC-005", "2024-09-20", "G-022"))
    counts = ask("/v1/gauges/G-017/lookback")["counts"]
    assert (4, 2) == (counts["flips"], counts["need_action"])


def test_q26_s3_the_readings_themselves_stay_as_they_were_taken(story, ask) -> None:
    condition = ask("/v1/units/SEL-001/condition")
    row = next(r for r in condition["characteristics"] if r["characteristic"] == "SEL-WP")
    assert ("0.39", "watch", "found-out") == (
        row["latest"]["value"],
        row["conformity"]["outcome"],
        row["conformity"]["gauge_state"],
    )


def test_q26_s3_the_demo_has_two_readings_of_that_dial(demo) -> None:
    """Rows 7 and 18, both of SEL-004: 0.231 and 0.261, and neither flips."""
    found = demo.ask("/v1/gauges/G-017/lookback")
    assert [("SEL-004", "0.22", "0.231"), ("SEL-004", "0.25", "0.261")] == [
        (row["unit"], row["read"], row["corrected"]) for row in found["readings"]
    ]
    assert (2, 0, 0) == tuple(found["counts"][name] for name in ("suspect", "cleared", "flips"))


def test_q26_an_unknown_gauge_is_not_there(client) -> None:
    assert 404 == client.get("/v1/gauges/G-77/lookback").status_code
