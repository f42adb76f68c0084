"""Corrections through the API: what they change, what stays visible, and that earlier answers can be had again.

Rules: CONTRACT A (References) and B (Clocks); JOB.md section 4.
"""

import pytest

from tests import factories as make
from tests.api.reading_back import faults

pytestmark = pytest.mark.usefixtures("standing_unit")

LINE = "/v1/units/U-1/history"


@pytest.fixture
def backlash(ask):
    """The row of TST-BL in the condition of a unit: value, outcome, entry."""

    def read(unit="U-1", **when):
        row = ask(f"/v1/units/{unit}/condition", **when)["characteristics"][0]
        latest = row["latest"]
        return (
            (None, row["conformity"]["outcome"]) if latest is None else (latest["value"], row["conformity"]["outcome"])
        )

    return read


@pytest.fixture
def marks(ask):
    """The marks in a unit's history, by entry."""

    def read(unit="U-1", **when):
        items = ask(f"/v1/units/{unit}/history", **when)["entries"]
        return {i["id"]: (i["mark"], i["counts"]) for i in items}

    return read


def new_value(entry, value):
    return entry["data"] | {"readings": [{"value": value}]}


# Superseding


def test_a_superseded_value_counts_and_the_old_one_stays_visible(tell, backlash, marks, ask):
    (read,) = tell(make.reading("0.35"))
    assert ("0.35", "replace") == backlash()
    (fixed,) = tell(make.superseded(read, new_value(read, "0.15")))
    assert ("0.15", "good") == backlash()
    assert ("superseded", True) == marks()[read["id"]]
    (line,) = [i for i in ask(LINE)["entries"] if i["id"] == read["id"]]
    assert "0.35" == line["data"]["readings"][0]["value"]
    assert "0.15" == line["data_now"]["readings"][0]["value"]
    assert [fixed["id"]] == line["marked_by"]


def test_a_verdict_says_that_it_rests_on_the_corrected_entry_and_on_the_correction(tell, ask):
    """CONTRACT C: `entry` is the target's id even when superseded. DESIGN section 7: a number says which entries."""
    (read,) = tell(make.reading("0.35"))
    (fixed,) = tell(make.superseded(read, new_value(read, "0.15")))
    latest = ask("/v1/units/U-1/condition")["characteristics"][0]["latest"]
    assert read["id"] == latest["entry"]
    assert [read["id"], fixed["id"]] == latest["entries"]


def test_a_superseded_moment_moves_the_entry_in_the_history(tell, backlash, ask):
    """The later of two readings was in truth the earlier one."""
    early, late = tell(
        make.reading("0.15", occurred_at="2026-01-05T09:00:00+01:00"),
        make.reading("0.25", occurred_at="2026-01-05T10:00:00+01:00"),
    )
    assert ("0.25", "watch") == backlash()
    tell(make.superseded(late, late["data"], at="2026-01-05T08:00:00+01:00"))
    assert ("0.15", "good") == backlash()
    order = [i["id"] for i in ask(LINE)["entries"] if i["type"] == "reading.taken"]
    assert [late["id"], early["id"]] == order


def test_a_superseding_moment_is_true_time_and_no_offset_comes_off(tell, ask):
    """CONTRACT A, References."""
    device = {"id": "pad-1", "seq": 1, "clock_offset_ms": 60_000}
    (read,) = tell(make.reading("0.15", device=device, occurred_at="2026-01-05T09:00:00Z"))
    (line,) = [i for i in ask(LINE)["entries"] if i["id"] == read["id"]]
    assert "2026-01-05T08:59:00.000Z" == line["at"]
    tell(make.superseded(read, read["data"], at="2026-01-05T07:00:00Z"))
    (line,) = [i for i in ask(LINE)["entries"] if i["id"] == read["id"]]
    assert "2026-01-05T07:00:00.000Z" == line["at"]


def test_of_two_corrections_by_one_person_the_later_counts(tell, backlash):
    (read,) = tell(make.reading("0.35"))
    tell(make.superseded(read, new_value(read, "0.15")), make.superseded(read, new_value(read, "0.25")))
    assert ("0.25", "watch") == backlash()


def test_of_two_corrections_by_two_people_the_first_counts_and_they_are_contested(tell, backlash, ask):
    """CONTRACT A: else `correction-contested`, and the first recorded counts until one is withdrawn."""
    (read,) = tell(make.reading("0.35"))
    first, _ = tell(
        make.superseded(read, new_value(read, "0.15")),
        make.superseded(read, new_value(read, "0.25"), by="mia.manager"),
    )
    assert ("0.15", "good") == backlash()
    assert ["correction-contested"] == [d["code"] for d in ask("/v1/units/U-1/condition")["discrepancies"]]
    tell(make.withdrawn(first))
    assert ("0.25", "watch") == backlash()
    assert [] == ask("/v1/units/U-1/condition")["discrepancies"]


def test_a_second_correction_by_another_who_had_seen_the_first_replaces_it(tell, backlash, ask):
    """Its `seen_index` covers the first: an index in an answer is a size, so it has to be more than the position."""
    (read,) = tell(make.reading("0.35"))
    (first,) = tell(make.superseded(read, new_value(read, "0.15")))
    tell(make.superseded(read, new_value(read, "0.25"), by="mia.manager", seen_index=first["index"] + 1))
    assert ("0.25", "watch") == backlash()
    assert [] == ask("/v1/units/U-1/condition")["discrepancies"]


# Withdrawing and reviving


def test_a_withdrawn_entry_stops_counting_and_stays_readable(tell, backlash, marks):
    before, read = tell(make.reading("0.15", occurred_at="2026-01-05T08:00:00+01:00"), make.reading("0.35"))
    tell(make.withdrawn(read))
    assert ("0.15", "good") == backlash()
    assert ("withdrawn", False) == marks()[read["id"]]
    assert (None, True) == marks()[before["id"]]


def test_withdrawing_a_correction_revives_what_it_replaced(tell, backlash, marks):
    (read,) = tell(make.reading("0.35"))
    (fixed,) = tell(make.superseded(read, new_value(read, "0.15")))
    tell(make.withdrawn(fixed))
    assert ("0.35", "replace") == backlash()
    assert (None, True) == marks()[read["id"]]


def test_withdrawing_a_withdrawal_revives_the_entry(tell, backlash):
    (read,) = tell(make.reading("0.35"))
    (gone,) = tell(make.withdrawn(read))
    assert (None, "undecided") == backlash()
    (back,) = tell(make.withdrawn(gone))
    assert ("0.35", "replace") == backlash()
    tell(make.withdrawn(back))
    assert (None, "undecided") == backlash()


def test_a_correction_of_a_correction_gives_that_corrections_whole_data(tell, backlash):
    (read,) = tell(make.reading("0.35"))
    (fixed,) = tell(make.superseded(read, new_value(read, "0.15")))
    tell(make.superseded(fixed, fixed["data"] | {"data": new_value(read, "0.25"), "why": "misread twice"}))
    assert ("0.25", "watch") == backlash()


def test_a_correction_of_a_withdrawal_keeps_it_withdrawn(tell, backlash):
    (read,) = tell(make.reading("0.35"))
    (gone,) = tell(make.withdrawn(read))
    tell(make.superseded(gone, gone["data"] | {"why": "the right reason"}))
    assert (None, "undecided") == backlash()


def test_an_annotation_counts_for_nothing(tell, backlash, marks, ask):
    (read,) = tell(make.reading("0.35"))
    before = ask("/v1/units/U-1/condition")
    (note,) = tell(make.annotated(read))
    after = ask("/v1/units/U-1/condition")
    assert before | {"as_of": None} == after | {"as_of": None}
    assert (None, False) == marks()[note["id"]]
    assert (None, True) == marks()[read["id"]]


def test_a_disputed_fact_counts_and_is_flagged_until_settled(tell, backlash, ask):
    """DESIGN section 5: `entry.disputed` counts but is flagged; `dispute.settled` ends it."""
    (read,) = tell(make.reading("0.35"))
    tell(make.disputed(read))
    assert ("0.35", "replace") == backlash()
    assert ["disputed"] == [d["code"] for d in ask("/v1/units/U-1/condition")["discrepancies"]]
    tell(make.settled(read))
    assert [] == ask("/v1/units/U-1/condition")["discrepancies"]


# Moving to the right page


def test_a_fact_on_the_wrong_page_is_struck_there_and_counts_here(tell, backlash, marks):
    (read,) = tell(make.reading("0.35"))
    (move,) = tell(make.reattributed(read, "unit:U-2"))
    assert (None, "undecided") == backlash("U-1")
    assert ("0.35", "replace") == backlash("U-2")
    assert ("moved_out", False) == marks("U-1")[read["id"]]
    assert ("moved_in", True) == marks("U-2")[read["id"]]
    assert move["id"] in marks("U-1")
    assert move["id"] in marks("U-2"), "both histories say so"


def test_a_move_takes_hours_and_slots_along(tell, ask):
    count, fit = tell(
        make.meter_read("120", occurred_at="2026-01-05T08:00:00+01:00"), make.fitted("feed-nut", make.piece(lot="L-1"))
    )
    tell(make.reattributed(count, "unit:U-2"), make.reattributed(fit, "unit:U-2"))
    first, second = (ask(f"/v1/units/{u}/condition") for u in ("U-1", "U-2"))
    assert (None, "120") == (first["hours"] and first["hours"]["value"], second["hours"]["value"])
    assert [None, "L-1"] == [
        c["slots"][0]["occupant"] and c["slots"][0]["occupant"]["pieces"][0]["lot"] for c in (first, second)
    ]


def test_a_withdrawn_move_puts_the_fact_back(tell, backlash, marks):
    (read,) = tell(make.reading("0.35"))
    (move,) = tell(make.reattributed(read, "unit:U-2"))
    tell(make.withdrawn(move))
    assert ("0.35", "replace") == backlash("U-1")
    assert (None, "undecided") == backlash("U-2")
    assert (None, True) == marks("U-1")[read["id"]]


def test_a_correction_made_before_the_move_moves_along(tell, backlash):
    (read,) = tell(make.reading("0.35"))
    tell(make.superseded(read, new_value(read, "0.15")))
    tell(make.reattributed(read, "unit:U-2"))
    assert ("0.15", "good") == backlash("U-2")
    assert (None, "undecided") == backlash("U-1")


def test_a_correction_made_after_the_move_is_felt_where_the_fact_is_now(tell, backlash):
    """It stands on its target's subject, U-1, as every correction does."""
    (read,) = tell(make.reading("0.35"))
    tell(make.reattributed(read, "unit:U-2"))
    (fixed,) = tell(make.superseded(read, new_value(read, "0.15")))
    assert ("0.15", "good") == backlash("U-2")
    tell(make.withdrawn(fixed))
    assert ("0.35", "replace") == backlash("U-2")


def test_a_corrected_move_goes_to_the_other_page(tell, backlash, marks):
    """The move itself was wrong: it should have named U-3."""
    (read, _) = tell(make.reading("0.35"), make.registered("U-3"))
    (move,) = tell(make.reattributed(read, "unit:U-2"))
    tell(make.superseded(move, move["data"] | {"to": "unit:U-3"}))
    assert (None, "undecided") == backlash("U-1")
    assert (None, "undecided") == backlash("U-2")
    assert ("0.35", "replace") == backlash("U-3")
    assert ("moved_out", False) == marks("U-2")[read["id"]]


def test_a_fact_may_move_on(tell, backlash, marks):
    """A second move of the same fact; the last one says where it is."""
    (read, _) = tell(make.reading("0.35"), make.registered("U-3"))
    tell(make.reattributed(read, "unit:U-2"), make.reattributed(read, "unit:U-3"))
    assert [(None, "undecided"), (None, "undecided"), ("0.35", "replace")] == [
        backlash(u) for u in ("U-1", "U-2", "U-3")
    ]
    assert ("moved_out", False) == marks("U-2")[read["id"]]


# Then, and what was known then


def without_echo(answer):
    """`as_of` echoes what was asked; everything else has to be the same to the byte."""
    return {k: v for k, v in answer.items() if k != "as_of"}


PATHS = (
    "/v1/units/U-1/condition",
    "/v1/units/U-1/card",
    "/v1/units/U-1/slots",
    "/v1/units/U-1/slots/feed-nut",
    "/v1/units/U-1/wear/TST-BL",
    "/v1/units/U-1/history",
    "/v1/units/U-1",
    "/v1/units/U-2/condition",
    "/v1/units/U-2/history",
    "/v1/tags/FT.J3K70S6ET",
)


def test_every_earlier_answer_can_be_had_again_by_index_and_by_moment(tell, ask, clock):
    """`known_index` alone is exact; `known_at` names the same count while one batch was recorded a minute."""
    steps = [
        [make.tag_attached("FT.J3K70S6ET", occurred_at="2026-01-04T08:00:00+01:00")],
        [make.fitted("feed-nut", make.piece(lot="L-1"), occurred_at="2026-01-04T09:00:00+01:00")],
        [make.reading("0.10", hours="100", occurred_at="2026-01-04T10:00:00+01:00")],
        [late := make.reading("0.35", hours="200", occurred_at="2026-01-05T10:00:00+01:00", gauge="G-1")],
        [wrong := make.superseded(late, late["data"] | {"readings": [{"value": "0.15"}]})],
        [make.reading("0.12", hours="150", occurred_at="2026-01-04T22:00:00+01:00")],
        [make.withdrawn(wrong)],
        [make.reattributed(late, "unit:U-2")],
        [make.removed("feed-nut", occurred_at="2026-01-05T10:30:00+01:00")],
        [
            make.sheet_issued(
                rev=2, effective_on="2026-01-05", changes={"characteristics": [make.backlash(watch="0.05")]}
            )
        ],
        [make.tag_detached("FT.J3K70S6ET", occurred_at="2026-01-05T11:00:00+01:00")],
    ]
    kept = []
    for batch in steps:
        tell(*batch)
        size = 1 + max(e["index"] for e in ask("/v1/entries", limit=500)["entries"])
        kept.append((size, clock().isoformat(), {path: ask(path) for path in PATHS}))
        clock.advance(minutes=1)
    assert len({str(answers) for _, _, answers in kept}) == len(kept), "every step changed something"
    for size, moment, answers in kept:
        for path, first in answers.items():
            assert without_echo(first) == without_echo(ask(path, known_index=size)), (path, size)
            assert without_echo(first) == without_echo(ask(path, known_at=moment)), (path, moment)


def test_the_index_of_an_answer_repeats_it(tell, ask):
    """CONTRACT B: `as_of.index` is the smallest size at which the answer holds; asking with it repeats the answer."""
    tell(make.reading("0.10"), make.reading("0.20", unit="U-2"), make.scanned(unit="U-2"))
    first = ask("/v1/units/U-1/condition")
    assert 6 == first["as_of"]["index"], "the reading of U-1 is entry 5; what came to U-2 does not count"
    again = ask("/v1/units/U-1/condition", known_index=first["as_of"]["index"])
    assert without_echo(first) == without_echo(again)
    assert (None, 6, 6) == (first["as_of"]["known_index"], again["as_of"]["known_index"], again["as_of"]["index"])


def test_a_fact_is_cut_by_its_corrected_moment_inclusive(tell, backlash):
    """CONTRACT B: with `true_at`, facts are cut by their corrected moment, inclusive."""
    tell(
        make.reading("0.10", occurred_at="2026-01-05T09:00:00+01:00"),
        make.reading("0.25", occurred_at="2026-01-05T10:00:00+01:00"),
    )
    assert "0.25" == backlash(true_at="2026-01-05T10:00:00+01:00")[0]
    assert "0.10" == backlash(true_at="2026-01-05T09:59:59.999+01:00")[0]
    assert "0.10" == backlash(true_at="2026-01-05T08:00:00Z")[0]
    assert None is backlash(true_at="2026-01-05T07:59:59Z")[0]


def test_a_bench_clock_a_little_fast_still_sees_its_own_entry(tell, backlash):
    """CONTRACT B: without `true_at` every known entry counts."""
    tell(make.reading("0.10", occurred_at="2026-01-05T12:02:00Z"))
    assert "0.10" == backlash()[0]


def test_true_then_known_today_shows_the_value_that_was_corrected_later(tell, backlash, clock):
    """CONTRACT B: asked for true_at = 2 March today, a reading of 1 March shows the value corrected on 5 March."""
    clock.set("2026-03-01T12:00:00Z")
    (read,) = tell(make.reading("0.35", occurred_at="2026-03-01T09:00:00+01:00"))
    clock.set("2026-03-05T12:00:00Z")
    tell(make.superseded(read, new_value(read, "0.15"), occurred_at="2026-03-05T09:00:00+01:00"))
    second_of_march = "2026-03-02T09:00:00+01:00"
    assert "0.15" == backlash(true_at=second_of_march)[0]
    assert "0.35" == backlash(true_at=second_of_march, known_at=second_of_march)[0]
    assert "0.35" == backlash(known_at=second_of_march)[0]


def test_a_late_entry_changes_then_and_not_what_was_known_then(tell, backlash, clock):
    """A card of Monday typed on Thursday."""
    clock.set("2026-03-05T12:00:00Z")
    tell(make.reading("0.25", occurred_at="2026-03-02T09:00:00+01:00", typed_by="sam.stores"))
    tuesday = "2026-03-03T09:00:00+01:00"
    assert "0.25" == backlash(true_at=tuesday)[0]
    assert None is backlash(true_at=tuesday, known_at=tuesday)[0]


def test_a_unit_not_yet_known_at_the_stated_moment_is_404(client):
    for query in ("true_at=2026-01-01T00:00:00Z", "known_index=1", "known_at=2026-01-05T11:59:00Z"):
        answer = client.get(f"/v1/units/U-1/condition?{query}")
        assert (404, True) == (answer.status_code, answer.json["type"].endswith("/unknown-unit")), query


def test_more_entries_than_there_are_cannot_have_been_known(client):
    answer = client.get("/v1/units/U-1/condition?known_index=6")
    assert (422, [("?known_index", "bad-query")]) == (answer.status_code, faults(answer.json))


def test_two_facts_of_one_moment_stand_in_the_order_of_the_device_and_then_of_the_book(tell, ask):
    """CONTRACT B, Order: the corrected moment, then `device.seq`, then the index."""
    at = "2026-01-05T09:00:00+01:00"
    third = make.scanned(occurred_at=at, device={"id": "pad-1", "seq": 9})
    second = make.scanned(occurred_at="2026-01-05T08:00:00Z", device={"id": "pad-2", "seq": 4})
    none, also_none = make.scanned(occurred_at=at), make.scanned(occurred_at=at)
    tell(third, none, second, also_none)
    order = [i["id"] for i in ask(LINE)["entries"] if i["type"] == "tag.scanned"]
    assert [none["id"], also_none["id"], second["id"], third["id"]] == order


def test_a_clock_known_to_be_fast_is_put_right_in_the_order(tell, ask):
    """The slip says 10:30, the device was an hour fast, so it was 9:30; what was typed stays as typed."""
    before = make.scanned(occurred_at="2026-01-05T09:00:00Z")
    fast = make.scanned(
        occurred_at="2026-01-05T10:30:00Z", device={"id": "pad-1", "seq": 1, "clock_offset_ms": 3_600_000}
    )
    after = make.scanned(occurred_at="2026-01-05T10:00:00Z")
    tell(after, fast, before)
    lines = [i for i in ask(LINE)["entries"] if i["type"] == "tag.scanned"]
    assert [before["id"], fast["id"], after["id"]] == [i["id"] for i in lines]
    assert ("2026-01-05T10:30:00Z", "2026-01-05T09:30:00.000Z") == (lines[1]["occurred_at"], lines[1]["at"])


def test_a_history_comes_a_page_at_a_time_from_either_end(tell, client):
    tell(*(make.scanned(occurred_at=f"2026-01-05T09:{n:02}:00Z") for n in range(5)))
    whole = [i["id"] for i in client.get(LINE).json["entries"]]
    for order, expected in (("oldest", whole), ("newest", whole[::-1])):
        found, address = [], f"{LINE}?limit=4&order={order}"
        while address:
            answer = client.get(address)
            found += [i["id"] for i in answer.json["entries"]]
            address = answer.headers.get("Link", "").partition("<")[2].partition(">")[0]
        assert expected == found
