"""A signature that had lapsed. Source: JOB.md 8.1, S13, and 4.4 (release signed by someone not authorised that day)."""

import pytest

UNIT = "/v1/units/ACH-004"
YEAR = {"from": "2025-01-01", "until": "2025-12-31"}
SIGNED, FOUND, BEFORE = "2025-05-13T12:00:00+01:00", "2025-05-19T12:00:00+01:00", "2025-05-20T18:00:00+01:00"


def audit(demo, **query):
    return demo.ask("/v1/authorisations/audit", **(YEAR | query))


@pytest.fixture
def releases(demo):
    """The two on ACH-004 in May 2025, by their day."""
    told = demo.ask(f"{UNIT}/history")["entries"]
    return {i["occurred_at"][:10]: i for i in told if i["type"] == "unit.released" and i["occurred_at"] > "2025"}


def test_q27_s13_the_audit_of_2025_finds_pell_on_13_may_and_nobody_else(demo, releases):
    (row,) = audit(demo)["unauthorised"]
    assert (releases["2025-05-13"]["id"], "pell.marrowby", "ACH-004", "release", "2025-05-13") == tuple(
        row[name] for name in ("entry", "person", "unit", "task", "on")
    )
    assert "the authorisation ran until 2025-04-30" == row["why"]


def test_q27_s13_counts_every_signature_of_the_year(demo):
    """Of every machine's history: each release once for who signed it, and once more where somebody signed beside."""
    count = 0
    for unit in demo.ask("/v1/units", limit=500)["units"]:
        for item in demo.ask(f"/v1/units/{unit['unit']}/history")["entries"]:
            if item["type"] == "unit.released" and item["occurred_at"].startswith("2025"):
                count += 1 + ("second" in item["data"])
    assert count == audit(demo)["signed"]


def test_s13_before_it_was_signed_again_nothing_put_it_right(demo, releases):
    (row,) = audit(demo, known_at=BEFORE)["unauthorised"]
    assert (releases["2025-05-13"]["id"], None) == (row["entry"], row["put_right_by"])
    assert [] == audit(demo, true_at="2025-05-12T12:00:00+01:00")["unauthorised"]


def test_s13_signed_again_on_21_may_and_both_are_shown(demo, releases):
    (row,) = audit(demo)["unauthorised"]
    again = releases["2025-05-21"]
    assert (again["id"], "iska.thornwell") == (row["put_right_by"], again["by"])
    assert ["2025-05-13", "2025-05-21"] == sorted(releases)
    assert [(None, True), (None, True)] == [(r["mark"], r["counts"]) for r in releases.values()]


def test_s13_the_release_was_flagged_from_the_start_and_the_remark_stays(demo, releases):
    for query in ({"known_at": SIGNED}, {"known_at": BEFORE}, {}):
        (doubt,) = demo.ask(f"{UNIT}/condition", **query)["discrepancies"]
        assert ("signed-unauthorised", [releases["2025-05-13"]["id"]]) == (doubt["code"], doubt["entries"])
        assert "not authorised on 2025-05-13: pell.marrowby (release)" == doubt["detail"]


def test_s13_the_audit_put_it_on_hold_until_it_was_checked_again(demo):
    (hold,) = demo.ask("/v1/holds", unit="ACH-004", true_at=FOUND)["holds"]
    assert ("H-20250519-1", ["manager"], "2025-05-19") == (hold["hold"], hold["lift_by"], hold["since"][:10])
    assert [] == demo.ask("/v1/holds", unit="ACH-004", true_at=SIGNED)["holds"]
    assert [] == demo.ask("/v1/holds", unit="ACH-004")["holds"]


def test_s13_his_work_shows_it_too(demo):
    found = demo.ask("/v1/people/pell.marrowby/work", **(YEAR | {"task": "release"}))
    assert [("2025-05-13", False)] == [(w["on"], w["authorised"]) for w in found["work"]]


def test_s13_look_alike_what_he_signed_while_he_might(demo):
    """ACH-003 on 30 December 2024, under the same sign-off."""
    found = audit(demo, **{"from": "2024-12-30", "until": "2024-12-30"})
    assert (2, []) == (found["signed"], found["unauthorised"])
    released = demo.ask("/v1/units/ACH-003/condition", true_at="2024-12-30T23:00:00+01:00")["release"]
    assert "pell.marrowby" == demo.ask(f"/v1/entries/{released['entry']}")["by"]
