"""What cured the complaints, what to check first, what came back: JOB.md section 6, questions 10, 16 and 38."""

from math import sqrt

import pytest

from tests.factories import (
    dispatched,
    entry,
    fitted,
    received,
    registered,
    sheet_issued,
    superseded,
    withdrawn,
    work_done,
)

EARLY = "2025-01-02T08:00:00+01:00"
CAUSES = [
    {"slot": "feed-nut", "activity": "AC-RPL", "share": "0.10", "check": "collar test", "minutes": 90},
    {"slot": "feed-actuator", "activity": "AC-ALN", "share": "0.60", "check": "alignment pin", "minutes": 35},
    {"activity": "AC-RST", "share": "0.20", "check": "gauge at the inlet", "minutes": 15},
    {"slot": "gib-strip", "activity": "AC-ADJ", "share": "0.10", "check": "crank by hand"},
]


def wilson(count, n):
    """The score interval at 95 %, z = 1.959964, written out (E. B. Wilson, 1927)."""
    z, p = 1.959963984540054, count / n
    middle, half = p + z * z / (2 * n), z * sqrt(p * (1 - p) / n + z * z / (4 * n * n))
    return (middle - half) / (1 + z * z / n), (middle + half) / (1 + z * z / n)


def reported(complaint, at, mode="MD-FDE", unit="U-1"):
    data = {"complaint": complaint, "words": "feed skips", "mode": mode}
    return entry("complaint.reported", data, unit=unit, occurred_at=at)


def closed(complaint, at, outcome="cured", by=(), unit="U-1"):
    data = {"complaint": complaint, "outcome": outcome} | ({"cured_by": [e["id"] for e in by]} if by else {})
    return entry("complaint.closed", data, unit=unit, occurred_at=at)


def on(day, hour=9):
    return f"2025-{day}T{hour:02d}:00:00+01:00"


def centred(day, unit="U-1"):
    return work_done("AC-ALN", more={"slot": "feed-actuator"}, occurred_at=on(day, 10), unit=unit)


@pytest.fixture
def feeders(tell):
    """Two units of a class whose sheet names causes of an erratic feed."""
    changes = {"complaints": [{"mode": "MD-FDE", "causes": CAUSES}]}
    return tell(
        sheet_issued(changes=changes, occurred_at=EARLY, effective_on="2025-01-02"),
        registered(occurred_at=EARLY),
        registered("U-2", occurred_at=EARLY),
    )


def one_cured(tell, number, day, work):
    tell(reported(f"C-{number}", on(day)), work, closed(f"C-{number}", on(day, 11), by=[work]))
    return work


# Question 10: what cured erratic feed in the last 3 years, per class?


def test_q10_s9_re_centring_cured_23_of_37_calls_in_the_last_three_years(demo):
    """JOB.md 8.1, S9."""
    got = demo.ask("/v1/complaints/cures", mode="MD-FDE", **{"class": "SEL"}, since="2022-11-03")
    first = got["cures"][0]
    assert (37, "AC-ALN", "feed-actuator", 23, "0.6216") == (
        got["calls"],
        first["activity"],
        first["slot"],
        first["count"],
        first["share"],
    )
    assert pytest.approx(wilson(23, 37), abs=5e-5) == (
        float(first["interval"]["low"]),
        float(first["interval"]["high"]),
    )
    assert {"open": 0, "no_fault_found": 2, "withdrawn": 0} == got["not_cured"]
    assert got["calls"] == sum(row["count"] for row in got["cures"])


def test_q10_parts_are_not_all_that_cures_and_a_part_counts_as_a_replacement(demo):
    got = demo.ask("/v1/complaints/cures", mode="MD-FDE", **{"class": "SEL"})
    by = {(row["activity"], row["slot"]): row["count"] for row in got["cures"]}
    assert 2 == by["AC-RPL", "actuator-seal-kit"]
    assert {"AC-ALN", "AC-RST", "AC-LUB", "AC-ADJ", "AC-RPL"} == {activity for activity, _ in by}


def test_q10_each_class_stands_apart_where_none_is_named(demo):
    got = demo.ask("/v1/complaints/cures", mode="MD-FDE")
    assert [("SEL", 37)] == [(row["class"], row["calls"]) for row in got["classes"]]
    assert got["classes"][0]["next_check"] and not got["next_check"]


def test_q10_every_figure_names_the_entries_it_came_from(tell, ask, feeders):
    work = one_cured(tell, 1, "03-03", centred("03-03"))
    (row,) = ask("/v1/complaints/cures", mode="MD-FDE")["cures"]
    assert work["id"] in row["entries"]


def test_q10_since_counts_from_the_local_day_of_the_report_on(tell, ask, feeders):
    """23:30 UTC on 2 March is 3 March in the book's zone."""
    tell(reported("C-1", "2025-03-02T23:30:00Z"), reported("C-2", "2025-03-02T22:30:00Z"))
    assert 1 == ask("/v1/complaints/cures", since="2025-03-03")["complaints"]


def test_q10_a_cure_that_nobody_named_is_counted_as_unknown(tell, ask, feeders):
    tell(reported("C-1", on("03-03")), closed("C-1", on("03-04")))
    (row,) = ask("/v1/complaints/cures", mode="MD-FDE")["cures"]
    assert (None, None, 1, "1.0000") == (row["activity"], row["slot"], row["count"], row["share"])


def test_q10_before_and_after_a_correction(tell, ask, feeders):
    """The cure was logged as re-centring, and was the pressure; known then it stays re-centring."""
    work = one_cured(tell, 1, "03-03", centred("03-03"))
    known = ask("/v1/complaints/cures", mode="MD-FDE")["as_of"]["index"]
    tell(superseded(work, {"activity": "AC-RST"}))
    assert "AC-RST" == ask("/v1/complaints/cures", mode="MD-FDE")["cures"][0]["activity"]
    assert "AC-ALN" == ask("/v1/complaints/cures", mode="MD-FDE", known_index=known)["cures"][0]["activity"]


def test_q10_a_withdrawn_report_is_no_complaint_and_true_at_cuts_by_the_moment(tell, ask, feeders):
    made = tell(reported("C-1", on("03-03")), reported("C-2", on("03-05")))
    assert 1 == ask("/v1/complaints/cures", true_at=on("03-04"))["complaints"]
    tell(withdrawn(made[0]))
    assert 1 == ask("/v1/complaints/cures")["complaints"]


def test_q10_a_part_and_a_work_that_cured_together_are_both_shown(tell, ask, feeders):
    work, part = centred("03-03"), fitted("feed-nut", occurred_at=on("03-03", 10))
    tell(reported("C-1", on("03-03")), work, part, closed("C-1", on("03-03", 11), by=[work, part]))
    got = ask("/v1/complaints/cures", mode="MD-FDE")
    assert (1, [("AC-ALN", 1), ("AC-RPL", 1)]) == (
        got["calls"],
        [(row["activity"], row["count"]) for row in got["cures"]],
    )


def test_q10_the_order_of_checks_is_by_share_over_minutes_from_the_sheet_at_first(tell, ask, feeders):
    """0.60/35 = 0.0171, 0.20/15 = 0.0133, 0.10/90 = 0.0011; a check without minutes stands last."""
    got = ask("/v1/complaints/cures", mode="MD-FDE", **{"class": "TST"})["next_check"]
    assert ["alignment pin", "gauge at the inlet", "collar test", "crank by hand"] == [row["check"] for row in got]
    assert {"sheet"} == {row["from"] for row in got}


def test_q10_from_five_cures_on_the_depots_own_record_counts(tell, ask, feeders):
    """Four nuts and a pressure: 0.8/90 = 0.0089 against 0.2/15 = 0.0133 and none for the actuator."""
    for n in range(4):
        one_cured(tell, n, f"03-0{n + 1}", fitted("feed-nut", occurred_at=on(f"03-0{n + 1}", 10)))
        got = ask("/v1/complaints/cures", mode="MD-FDE", **{"class": "TST"})["next_check"]
        assert "alignment pin" == got[0]["check"]
    one_cured(tell, 5, "03-08", work_done("AC-RST", occurred_at=on("03-08", 10)))
    got = ask("/v1/complaints/cures", mode="MD-FDE", **{"class": "TST"})["next_check"]
    assert [("gauge at the inlet", "0.2000"), ("collar test", "0.8000"), ("alignment pin", "0.0000")] == [
        (row["check"], row["share"]) for row in got[:3]
    ]
    assert {"cures"} == {row["from"] for row in got}


def test_q10_after_37_calls_the_demo_still_checks_the_pin_first(demo):
    """23/37 over 35 minutes is 0.0178; 7/37 over 15 is 0.0126."""
    got = demo.ask("/v1/complaints/cures", mode="MD-FDE", **{"class": "SEL"})["next_check"]
    assert ["Alignment pin drops in between bracket and trip line?", "0.6216", 35] == [
        got[0][member] for member in ("check", "share", "minutes")
    ]
    assert "Gauge at the inlet while running: pressure holds the setting?" == got[1]["check"]


# Question 38: what usually goes wrong on this class?


def test_q38_each_mode_of_the_class_with_counts_and_time_span(demo):
    got = demo.ask("/v1/complaints/cures", **{"class": "SEL"})
    assert ["MD-FDE", "MD-LST"] == [row["mode"] for row in got["modes"]]
    assert [39, 1] == [row["complaints"] for row in got["modes"]]
    assert ("2023-04-11", "2025-05-15") == (got["first_on"], got["last_on"])
    assert got["modes"][0]["next_check"]


def test_q38_an_unknown_class_has_no_complaints(ask, feeders):
    got = ask("/v1/complaints/cures", **{"class": "NONE"})
    assert (0, [], [], None) == (got["complaints"], got["cures"], got["modes"], got["first_on"])


# Question 16: which jobs came back within 30 days for the same symptom?


def s11(tell):
    """JOB.md 8.1, S11, on a unit of its own: no fault found, returned on 17 February, again on 12 March."""
    tell(
        registered("MBD-003", "MBD", occurred_at=EARLY),
        reported("C-0203", on("02-03"), "MD-ELS", "MBD-003"),
        received(unit="MBD-003", occurred_at=on("02-05")),
        closed("C-0203", on("02-14"), "no_fault_found", unit="MBD-003"),
        dispatched(unit="MBD-003", occurred_at=on("02-17")),
        reported("C-0312", on("03-12"), "MD-ELS", "MBD-003"),
    )


def test_q16_s11_no_fault_found_and_its_repeat_are_joined(tell, ask, feeders):
    """From the dispatch on 17 February to 12 March 2025 are 23 days."""
    s11(tell)
    (pair,) = ask("/v1/complaints/repeats", within_days="30")["repeats"]
    assert ("C-0203", "C-0312", 23, "2025-02-17", "no_fault_found") == (
        pair["first"],
        pair["again"],
        pair["days"],
        pair["counted_from"],
        pair["first_outcome"],
    )


@pytest.mark.parametrize(("again", "found"), [("03-19", 1), ("03-20", 0)])
def test_q16_day_30_is_inside(tell, ask, feeders, again, found):
    """17 February plus 30 days is 19 March 2025."""
    tell(
        reported("C-1", on("02-03")),
        closed("C-1", on("02-14")),
        dispatched(occurred_at=on("02-17")),
        reported("C-2", on(again)),
    )
    assert found == len(ask("/v1/complaints/repeats")["repeats"])


def test_q16_the_days_run_from_the_first_dispatch_after_the_close(tell, ask, feeders):
    """It went to another bench before it was closed, home after that, and on to another site: home is what counts."""
    tell(
        reported("C-1", on("02-03")),
        dispatched(occurred_at=on("02-05")),
        closed("C-1", on("02-10")),
        dispatched(occurred_at=on("02-11")),
        dispatched(occurred_at=on("02-15")),
        reported("C-2", on("02-20")),
    )
    (pair,) = ask("/v1/complaints/repeats")["repeats"]
    assert (9, "2025-02-11") == (pair["days"], pair["counted_from"])


def test_q16_a_second_complaint_under_the_same_id_lives_too(tell, ask, feeders):
    tell(reported("C-1", on("02-03")), reported("C-1", on("03-03"), "MD-CHT"))
    assert 2 == ask("/v1/complaints/cures")["complaints"]


def test_q16_without_a_dispatch_the_days_run_from_the_close(tell, ask, feeders):
    tell(reported("C-1", on("02-03")), closed("C-1", on("02-14")), reported("C-2", on("02-20")))
    (pair,) = ask("/v1/complaints/repeats")["repeats"]
    assert (6, "2025-02-14") == (pair["days"], pair["counted_from"])


@pytest.mark.parametrize(
    ("second", "unit", "outcome"),
    [("MD-CHT", "U-1", "cured"), ("MD-FDE", "U-2", "cured"), ("MD-FDE", "U-1", "withdrawn")],
)
def test_q16_another_symptom_another_unit_and_a_withdrawn_complaint_are_no_repeat(
    tell, ask, feeders, second, unit, outcome
):
    tell(
        reported("C-1", on("02-03")),
        closed("C-1", on("02-14"), outcome),
        reported("C-2", on("02-20"), second, unit),
    )
    assert [] == ask("/v1/complaints/repeats")["repeats"]


def test_q16_a_complaint_that_is_still_open_is_no_repeat_of_itself(tell, ask, feeders):
    tell(reported("C-1", on("02-03")), reported("C-2", on("02-20")))
    assert [] == ask("/v1/complaints/repeats")["repeats"]


def test_q16_known_before_the_second_report_nothing_had_come_back(tell, ask, feeders):
    s11(tell)
    whole = ask("/v1/complaints/repeats")
    assert 1 == len(whole["repeats"])
    assert [] == ask("/v1/complaints/repeats", known_index=whole["as_of"]["index"] - 1)["repeats"]
    assert 1 == len(ask("/v1/complaints/repeats", known_index=whole["as_of"]["index"])["repeats"])


def test_q16_the_demo_has_none_before_its_story_is_told(demo):
    """The feed calls on one unit lie sixty days and more apart."""
    assert [] == demo.ask("/v1/complaints/repeats", true_at="2024-12-31T00:00:00Z")["repeats"]


@pytest.mark.parametrize(
    ("path", "query"),
    [
        ("cures", {"since": "2025-02-30"}),
        ("cures", {"since": "20250203"}),
        ("cures", {"modes": "MD-FDE"}),
        ("repeats", {"within_days": "-1"}),
        ("repeats", {"within_days": "month"}),
        ("repeats", {"within_days": "4000"}),
    ],
)
def test_q10_q16_a_query_that_means_nothing_is_refused(client, book, path, query):
    got = client.get(f"/v1/complaints/{path}", query_string=query)
    assert (422, "bad-query") == (got.status_code, got.json["type"].rpartition("/")[2])
