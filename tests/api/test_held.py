"""What is held and what was let out under a concession (JOB.md questions 14 and 29; CONTRACT C)."""

import pytest

from tests import factories as f

pytestmark = pytest.mark.usefixtures("standing_unit")
DAY = [f"2026-01-05T{hour:02}:00:00+01:00" for hour in range(24)]
LATER = "2026-02-01T12:00:00+01:00"


@pytest.fixture
def held(ask):
    """(unit, hold or key, since, who may lift it) of everything that is held."""

    def rows(**query):
        return [
            (h["unit"], h["hold"] or h["key"], h["since"], h["lift_by"]) for h in ask("/v1/holds", **query)["holds"]
        ]

    return rows


def grant(name="CN", unit="U-1", **ends):
    data = {"concession": name, "for": {"characteristic": "TST-BL"}, "why": "short hire"} | ends
    return f.entry("concession.granted", data, unit=unit, occurred_at=DAY[7])


def exam(due_next, **more):
    data = {"exam": "thorough", "examiner": "outside person", "result": "pass", "due_next": due_next}
    return f.entry("exam.recorded", data, **({"occurred_at": DAY[7]} | more))


def test_q14_every_hold_says_why_since_when_and_who_may_lift_it(tell, held, ask):
    """JOB.md question 14: include contested slots and contested identity."""
    tell(
        f.hold_placed("H-1", "manager", occurred_at=DAY[8]),
        f.fitted("bearing", f.piece(serial="B-1"), occurred_at=DAY[8]),
        f.fitted("bearing", f.piece(serial="B-2"), occurred_at=DAY[9]),
    )
    _, other = tell(
        f.tag_attached("OWN-1", unit="U-2", occurred_at=DAY[9]), f.tag_attached("OWN-1", occurred_at=DAY[10])
    )
    placed, *computed = held(unit="U-1")
    assert ("U-1", "H-1", "2026-01-05T07:00:00.000000Z", ["manager"]) == placed
    assert ["slot-contested", "tag-on-two-units"] == [key.partition(":")[0] for _, key, _, _ in computed]
    assert ["2026-01-05T08:00:00.000000Z", "2026-01-05T09:00:00.000000Z"] == [since for _, _, since, _ in computed]
    assert [["lead", "manager"]] * 2 == [roles for *_, roles in computed]
    assert [("U-2", f"tag-on-two-units:{other['id']}")] == [row[:2] for row in held(unit="U-2")]
    assert ["U-1", "U-1", "U-1", "U-2"] == [row[0] for row in held()]
    assert all(h["why"] and h["entries"] for h in ask("/v1/holds")["holds"])


def test_q14_a_hold_of_the_past_and_one_that_was_not_known_yet(tell, held, ask):
    (placed,) = tell(f.hold_placed(occurred_at=DAY[9]))
    tell(f.hold_lifted(occurred_at=DAY[11]))
    assert [] == held() == held(true_at=DAY[8]) == held(known_index=placed["index"])
    assert (
        ["H-1"]
        == [row[1] for row in held(true_at=DAY[10])]
        == [row[1] for row in held(known_index=placed["index"] + 1)]
    )
    assert placed["index"] + 1 == ask("/v1/holds", known_index=placed["index"] + 1)["as_of"]["index"]


@pytest.mark.parametrize(
    ("lift_by", "may_not"),
    [
        ("quality", ["lou.lead", "sig.signatory"]),
        ("signatory", ["lou.lead", "qi.quality"]),
        ("lead", ["sig.signatory", "qi.quality"]),
        ("bench", ["ada.bench", "qi.quality"]),
    ],
)
def test_a_hold_is_lifted_by_whom_it_was_placed_for_or_by_a_manager(tell, post, held, lift_by, may_not):
    """JOB.md 1.13: goes wrong when it is lifted by the person who wants the unit. CONTRACT A lets no bench lift."""
    tell(f.hold_placed("H-1", lift_by, occurred_at=DAY[8]))
    for person in may_not:
        lift = f.hold_lifted(by=person, occurred_at=DAY[9])
        (refused,) = post([lift]).json["outcomes"]
        assert (403, "not-allowed") == (refused["status"], refused["problem"]["type"].rpartition("/")[2])
    assert 1 == len(held())
    tell(f.hold_lifted(by="mo.manager", occurred_at=DAY[10]))
    assert [] == held()


@pytest.mark.parametrize(("lift_by", "person"), [("quality", "qi.quality"), ("bench", "lou.lead")])
def test_a_hold_that_comes_with_its_end_is_lifted_by_whom_it_was_placed_for(post, held, lift_by, person):
    placed = f.hold_placed("H-1", lift_by, occurred_at=DAY[8])
    other = f.hold_lifted(by="sig.signatory" if lift_by == "quality" else "qi.quality", occurred_at=DAY[9])
    outcomes = post([placed, other, f.hold_lifted(by=person, occurred_at=DAY[9])]).json["outcomes"]
    assert [201, 403, 201] == [o["status"] for o in outcomes]
    assert [] == held()


def test_a_lift_that_comes_before_its_hold_is_kept(tell, held):
    """Two benches offline: nobody knows yet for whom it was placed."""
    tell(f.hold_lifted(by="lou.lead", occurred_at=DAY[9]))
    tell(f.hold_placed("H-1", "quality", occurred_at=DAY[8]))
    assert [] == held()


def test_q14_page_by_page_and_by_class(tell, client, held):
    tell(f.hold_placed("H-1", occurred_at=DAY[8]), f.hold_placed("H-2", unit="U-2", occurred_at=DAY[8]))
    first = client.get("/v1/holds", query_string={"limit": 2})
    assert (["U-1"], "U-1") == ([h["unit"] for h in first.json["holds"]], first.json["next"])
    assert 'rel="next"' in first.headers["Link"]
    assert ["U-2"] == [row[0] for row in held(limit=2, cursor="U-1")]
    assert ([], 2) == (held(**{"class": "GDIAL"}), len(held(**{"class": f.CLASS})))


def test_an_exam_past_its_day_holds_and_one_that_a_hire_outlasts_holds_before_it(tell, held, clock):
    tell(exam("2026-01-31"))
    hire = {"from": "2026-01-05", "until": "2026-02-10"}
    tell(f.entry("unit.dispatched", {"to": "party-a", "hire": hire}, occurred_at=DAY[9]))
    assert [("U-1", "hire:thorough", "2026-01-05T08:00:00.000000Z")] == [row[:3] for row in held()]
    clock.set(LATER)
    assert ["exam:thorough", "hire:thorough"] == [row[1] for row in held()]
    assert "2026-01-31T23:00:00.000000Z" == held()[0][2]
    tell(f.received(occurred_at=LATER), exam("2026-12-31", occurred_at=LATER))
    assert [] == held()


def test_scrap_that_is_seen_again_is_listed_until_somebody_lifts_it(tell, held, ask):
    tell(exam("2026-01-04"), f.hold_placed(occurred_at=DAY[8]), f.hold_lifted(occurred_at=DAY[8]))
    tell(f.entry("unit.retired", {"why": "cracked", "authorised_by": f.SECOND}, occurred_at=DAY[9]))
    assert [] == held(), "nobody examines scrap"
    (seen,) = tell(f.scanned(occurred_at=DAY[10]))
    assert [("U-1", f"scan-after-scrap:{seen['id']}", ["manager"])] == [(u, k, r) for u, k, _, r in held()]
    assert "retired" == ask("/v1/units/U-1")["standing"]
    tell(f.hold_lifted(f"scan-after-scrap:{seen['id']}", by="mo.manager", occurred_at=DAY[11]))
    assert [] == held()


def test_a_piece_of_a_stopped_lot_holds_since_it_went_in(tell, held):
    tell(f.alert_issued(occurred_at=DAY[8]), f.fitted(occurred_at=DAY[10]))
    keys = {row[1].partition(":")[0]: row[2] for row in held()}
    assert {"alert": "2026-01-05T09:00:00.000000Z", "alert-part-fitted": "2026-01-05T09:00:00.000000Z"} == keys


# Question 29


@pytest.fixture
def conceded(ask):
    def rows(**query):
        return {c["concession"]: c for c in ask("/v1/concessions", **query)["concessions"]}

    return rows


def test_q29_ends_by_day_and_by_hours_on_the_meter_chain(tell, conceded, ask, clock):
    """The old meter came off at 180 h; 50.1 h on the new one are 230.1 h on the chain."""
    tell(f.meter_read("100", occurred_at=DAY[6]), grant("BY-DAY", until_on="2026-01-31"))
    tell(grant("BY-HOURS", until_hours=f.q("230", "h")), grant("OTHER", "U-2", until_on="2026-12-31"))
    assert {"open"} == {c["state"] for c in conceded().values()}
    exchange = {"meter": "hours", "old_final": f.q("180", "h"), "new_start": f.q("0", "h")}
    clock.set("2026-01-12T09:00:00+01:00")
    tell(f.entry("meter.replaced", exchange, occurred_at="2026-01-10T09:00:00+01:00"))
    tell(f.meter_read("50.0", occurred_at="2026-01-12T08:00:00+01:00"))
    assert ("open", "230.0") == (conceded()["BY-HOURS"]["state"], conceded()["BY-HOURS"]["hours_now"]["value"])
    clock.set(LATER)
    (over,) = tell(f.meter_read("50.1", occurred_at="2026-01-15T09:00:00+01:00"))
    found = conceded()
    assert ["overdue", "overdue", "open"] == [c["state"] for c in found.values()]
    assert ("230.1", {"value": "230", "uom": "h"}) == (
        found["BY-HOURS"]["hours_now"]["value"],
        found["BY-HOURS"]["until_hours"],
    )
    assert ["2026-01-15T08:00:00.000000Z", "2026-01-31T23:00:00.000000Z", None] == [
        found[name]["since"] for name in ("BY-HOURS", "BY-DAY", "OTHER")
    ]
    assert {"overdue": 2, "open": 1, "ended": 0} == ask("/v1/concessions")["counts"]
    assert ["BY-DAY", "BY-HOURS"] == sorted(conceded(state="overdue"))
    assert (["OTHER"], ["OTHER"]) == (list(conceded(unit="U-2")), list(conceded(state="open")))
    held = [(h["key"], h["since"]) for h in ask("/v1/holds")["holds"]]
    assert [
        ("concession:BY-DAY", "2026-01-31T23:00:00.000000Z"),
        ("concession:BY-HOURS", "2026-01-15T08:00:00.000000Z"),
    ] == held
    assert over["index"] + 1 == ask("/v1/concessions")["as_of"]["index"]


def test_q29_what_was_let_out_under_it_and_what_ended_it(tell, conceded):
    (granted,) = tell(grant(until_on="2026-12-31"))
    (out,) = tell(f.released("REL-1", "with_concession", more={"concessions": ["CN"]}, occurred_at=DAY[8]))
    assert ("open", ["REL-1"], [granted["id"], out["id"]]) == tuple(
        conceded()["CN"][name] for name in ("state", "releases", "entries")
    )
    (ended,) = tell(f.entry("concession.ended", {"concession": "CN", "why": "new nut"}, occurred_at=DAY[9]))
    assert ("ended", ended["id"]) == (conceded()["CN"]["state"], conceded()["CN"]["ended_by"])
    assert "open" == conceded(true_at=DAY[8])["CN"]["state"]
    assert "open" == conceded(known_index=out["index"] + 1)["CN"]["state"]
    assert {} == conceded(known_index=granted["index"])


@pytest.mark.parametrize(("path", "query", "pointer"), [
    ("/v1/concessions", {"state": "late"}, "?state"),
    ("/v1/concessions", {"cursor": "x"}, "?cursor"),
    ("/v1/holds", {"limit": "0"}, "?limit"),
    ("/v1/holds", {"hold": "H-1"}, "?hold"),
    ("/v1/authorisations/audit", {"from": "2026-01-02", "until": "2026-01-01"}, "?until"),
    ("/v1/authorisations/audit", {"from": "yesterday"}, "?from"),
])  # fmt: skip
def test_a_query_that_is_none_is_said(client, path, query, pointer):
    answer = client.get(path, query_string=query)
    assert (422, pointer) == (answer.status_code, answer.json["errors"][0]["pointer"])


@pytest.mark.parametrize("path", ["/v1/holds", "/v1/concessions"])
def test_a_unit_that_nobody_registered(client, path):
    answer = client.get(path, query_string={"unit": "U-9"})
    assert (404, True) == (answer.status_code, answer.json["type"].endswith("/unknown-unit"))
