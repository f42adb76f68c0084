"""Corrections, moments and order: JOB.md 4.1 and 4.2, CONTRACT A (References) and B (Order)."""

from service_api.domain.timeline import effective_history, facts, reach
from tests import factories as f
from tests.histories import at, heard, lines, on, true

EARLY, LATE = on("01-05 08:00"), on("01-05 09:00")


def marks(items):
    """Per line of a fact: its id's number, mark, and whether it counts."""
    return [
        (int(i.entry.id[-3:]), i.mark, i.counts) for i in items if not i.entry.type.startswith(("entry.", "dispute."))
    ]


def hours(items):
    return [i.data["value"]["value"] for i in items if i.entry.type == "meter.read" and i.counts]


def data(count):
    return {"meter": "hours", "value": f.q(count, "h"), "how": "read"}


# Order


def test_the_corrected_moment_decides_the_order_and_not_the_arrival():
    """CONTRACT B: corrected moment = occurred_at - clock_offset_ms. 09:10 on a clock an hour fast is 08:10."""
    fast = f.meter_read("2", occurred_at=on("01-05 09:10"), device={"id": "t", "seq": 1, "clock_offset_ms": 3_600_000})
    items = true(f.meter_read("3", occurred_at=LATE), fast, f.meter_read("1", occurred_at=EARLY))
    assert ["1", "2", "3"] == hours(items)
    assert at("01-05 08:10") == items[1].at
    assert on("01-05 09:10") == items[1].occurred_at, "the answer shows it as typed"


def test_ties_are_broken_by_the_device_s_running_number_then_by_the_index():
    """CONTRACT B, Order. One without a device comes first."""

    def read(count, seq=None):
        device = {} if seq is None else {"device": {"id": "t", "seq": seq}}
        return f.meter_read(count, occurred_at=LATE, **device)

    assert ["0", "1", "2", "3"] == hours(true(read("3", 9), read("1", 7), read("0"), read("2", 7)))


def test_true_at_takes_in_the_fact_of_that_very_moment():
    """CONTRACT B: facts are cut by their corrected moment, inclusive."""
    items = lines(f.meter_read("1", occurred_at=EARLY), f.meter_read("2", occurred_at=LATE))
    assert ["1"] == hours(facts(items, at("01-05 08:59")))
    assert ["1", "2"] == hours(facts(items, at("01-05 09:00")))
    assert [] == facts(items, at("01-05 07:59"))


# Supersede


def test_the_new_data_counts_and_the_old_stays_visible():
    read = f.meter_read("320")
    slip = f.superseded(read, data("32.0"))
    (item, note) = lines(read, slip)
    assert ("superseded", (slip["id"],), True) == (item.mark, item.marked_by, item.counts)
    assert data("32.0") == item.data and data("320") == item.entry.data
    assert "32.0" == format(item.body.value.value, "f")
    assert not note.counts, "a correction is no fact"


def test_a_corrected_moment_is_true_time_and_moves_the_line():
    """CONTRACT A: a superseding occurred_at is true time, no offset comes off."""
    read = f.meter_read("2", occurred_at=LATE, device={"id": "t", "seq": 1, "clock_offset_ms": 60_000})
    other = f.meter_read("1", occurred_at=on("01-05 08:30"))
    (first, second) = true(read, other, f.superseded(read, data("2"), at=EARLY))
    assert (at("01-05 08:00"), EARLY) == (first.at, first.occurred_at)
    assert at("01-05 08:30") == second.at


def test_of_two_supersedes_of_one_person_the_later_counts():
    read = f.meter_read("1")
    (item,) = true(read, f.superseded(read, data("2")), f.superseded(read, data("3")))
    assert (data("3"), ()) == (item.data, item.rivals)


def test_a_supersede_that_knew_the_earlier_one_replaces_it():
    """CONTRACT A: seen_index is a count, so one that covers entry 1 is 2 or more."""
    read = f.meter_read("1")
    first = f.superseded(read, data("2"))
    (item,) = true(read, first, f.superseded(read, data("3"), by="lou.lead", seen_index=2))
    assert (data("3"), ()) == (item.data, item.rivals)


def test_two_that_did_not_know_of_each_other_are_contested_and_the_first_recorded_counts():
    read = f.meter_read("1")
    first = f.superseded(read, data("2"))
    second = f.superseded(read, data("3"), by="lou.lead", seen_index=1)
    (item,) = true(read, first, second)
    assert data("2") == item.data
    assert [first["id"], second["id"]] == [r.id for r in item.rivals]
    (settled,) = true(read, first, second, f.withdrawn(first))
    assert (data("3"), ()) == (settled.data, settled.rivals)


def test_a_superseded_supersede_gives_the_data_of_the_last_one():
    """CONTRACT A: superseding a correction gives that correction's whole data."""
    read = f.meter_read("1")
    wrong = f.superseded(read, data("2"))
    whole = {"target": read["id"], "data": data("4"), "why": "misread too"}
    (item,) = true(read, wrong, f.superseded(wrong, whole))
    assert data("4") == item.data


# Withdraw


def test_a_withdrawn_entry_stops_counting_and_stays_readable():
    read = f.meter_read("1")
    gone = f.withdrawn(read)
    items = lines(read, gone)
    assert [(int(read["id"][-3:]), "withdrawn", False)] == marks(items)
    assert (gone["id"],) == items[0].marked_by
    assert [] == facts(items)


def test_withdrawing_a_correction_revives_what_it_replaced():
    """CONTRACT A. A withdrawal of the withdrawal strikes again."""
    read = f.meter_read("1")
    slip = f.superseded(read, data("2"))
    back = f.withdrawn(slip)
    assert ["1"] == hours(true(read, slip, back))
    assert ["2"] == hours(true(read, slip, back, f.withdrawn(back)))


def test_a_withdrawn_withdrawal_leaves_the_entry_standing():
    read = f.meter_read("1")
    gone = f.withdrawn(read)
    assert [(int(read["id"][-3:]), None, True)] == marks(lines(read, gone, f.withdrawn(gone)))


# Re-attribute


def test_a_moved_entry_is_struck_in_the_one_history_and_present_in_the_other():
    read = f.meter_read("1")
    move = f.reattributed(read, "unit:U-2")
    assert [(int(read["id"][-3:]), "moved_out", False)] == marks(lines(read, move))
    moved = lines(read, move, subject="unit:U-2")
    assert [(int(read["id"][-3:]), "moved_in", True)] == marks(moved)
    assert "unit:U-1" == moved[0].entry.subject, "it keeps its id and its old subject"
    assert (move["id"],) == moved[0].marked_by


def test_a_correction_of_a_moved_entry_comes_along():
    read = f.meter_read("1")
    move = f.reattributed(read, "unit:U-2")
    slip = f.superseded(read, data("2"))
    assert ["2"] == hours(true(read, move, slip, subject="unit:U-2"))
    assert slip["id"] in [i.entry.id for i in lines(read, move, slip, subject="unit:U-2")]
    assert [] == hours(true(read, move, slip))


def test_the_last_move_counts_and_a_withdrawn_move_brings_the_entry_home():
    read = f.meter_read("1")
    first, second = f.reattributed(read, "unit:U-2"), f.reattributed(read, "unit:U-3")
    assert [] == hours(true(read, first, second, subject="unit:U-2"))
    assert ["1"] == hours(true(read, first, second, subject="unit:U-3"))
    assert ["1"] == hours(true(read, first, second, f.withdrawn(second), subject="unit:U-2"))
    assert ["1"] == hours(true(read, first, f.withdrawn(first)))
    assert [] == lines(read, first, f.withdrawn(first), subject="unit:U-2")


def test_a_move_that_is_itself_corrected_goes_to_the_new_place():
    read = f.meter_read("1")
    move = f.reattributed(read, "unit:U-2")
    whole = {"target": read["id"], "to": "unit:U-3", "why": "misread the number", "second": f.SECOND}
    mended = f.superseded(move, whole)
    assert [] == hours(true(read, move, mended, subject="unit:U-2"))
    assert ["1"] == hours(true(read, move, mended, subject="unit:U-3"))


# Annotate, dispute


def test_a_note_counts_for_nothing():
    read = f.meter_read("1")
    items = lines(read, f.annotated(read))
    assert ["1"] == hours(items)
    assert [(int(read["id"][-3:]), None, True)] == marks(items)


def test_a_disputed_fact_counts_and_is_flagged_until_settled():
    read = f.meter_read("1")
    doubt = f.disputed(read)
    (item,) = true(read, doubt)
    assert (doubt["id"], True) == (item.dispute.id, item.counts)
    (settled,) = true(read, doubt, f.settled(read))
    assert settled.dispute is None
    again = f.disputed(read)
    (open_again,) = true(read, doubt, f.settled(read), again)
    assert again["id"] == open_again.dispute.id
    (dropped,) = true(read, doubt, f.withdrawn(doubt))
    assert dropped.dispute is None


def test_what_is_not_known_yet_has_no_say():
    """Corrections work by what is known alone (CONTRACT B): the same history, one entry shorter."""
    read = f.meter_read("1")
    known = heard(read, f.superseded(read, data("2")))
    assert ["1"] == hours(effective_history(known[:1], "unit:U-1"))
    assert ["2"] == hours(effective_history(known, "unit:U-1"))
    assert 1 == effective_history(known, "unit:U-1")[0].touched, "the line rests on the correction too"


def test_an_entry_of_another_page_is_no_line_of_this_one():
    other = f.meter_read("1", unit="U-2")
    assert [] == lines(other)
    assert [] == lines(other, f.annotated(other))


def test_a_page_has_come_as_far_as_the_last_entry_that_had_a_say_on_it():
    """Before the move is known the moved fact is nothing to the other page; a withdrawn move still had its say."""
    here, read = f.registered("U-2"), f.meter_read("1")
    move = f.reattributed(read, "unit:U-2")
    known = heard(here, read, move, f.annotated(read), f.withdrawn(move))
    assert [-1, 0, 0, 2, 3, 4] == [reach(known[:count], "unit:U-2") for count in range(6)]
    assert [-1, -1, 1, 2, 3, 4] == [reach(known[:count], "unit:U-1") for count in range(6)]


def test_a_moved_move_had_its_say_where_it_went_and_where_it_goes():
    read = f.meter_read("1")
    move = f.reattributed(read, "unit:U-2")
    whole = {"target": read["id"], "to": "unit:U-3", "why": "misread the number", "second": f.SECOND}
    known = heard(read, move, f.superseded(move, whole))
    assert [2, 2, -1] == [reach(known, f"unit:U-{n}") for n in (2, 3, 4)]
