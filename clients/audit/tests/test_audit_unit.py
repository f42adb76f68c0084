"""`fettlebook-audit unit`: order, corrections and custody derived from the texts alone, which are made here by hand."""

import json
from datetime import UTC, datetime

import pytest

from fettlebook_audit.histories import Custody, Family, Merges, compared, compared_custody, custody, derived

PAGE = "unit:U-1"


def day(text):
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


class Book(list):
    """Entries in the order of the book."""

    def add(self, type_="tag.scanned", data=None, subject=PAGE, at="2026-01-05T08:00:00Z", by="ada", **more):
        ident = f"e{len(self)}"
        entry = {"index": len(self), "id": ident, "type": type_, "subject": subject, "by": by, "occurred_at": at}
        self.append(entry | {"data": data or {}} | more)
        return ident

    def correct(self, how, target, data=None, **more):
        subject = next(e["subject"] for e in self if e["id"] == target)
        return self.add(f"entry.{how}", {"target": target} | (data or {}), subject, **more)

    def of(self, page=PAGE):
        family = Family(page.removeprefix("unit:"))
        for entry in self:
            family.take(entry)
        lines = family.history(e for e in self if e["id"] in family.lacks)
        return {line.entry["id"]: line for line in lines}


@pytest.fixture
def book():
    return Book()


def test_lines_stand_in_the_order_of_the_corrected_moment_then_device_then_index(book):
    """The clock of the third runs an hour fast: it happened first. Two of one moment: by the device's number."""
    book.add(at="2026-01-05T10:00:00+01:00")
    book.add(at="2026-01-05T09:30:00+01:00")
    book.add(at="2026-01-05T10:00:00+01:00", device={"id": "d", "seq": 4, "clock_offset_ms": 3_600_000})
    book.add(at="2026-01-06T08:00:00Z", device={"id": "d", "seq": 9})
    book.add(at="2026-01-06T08:00:00Z", device={"id": "d", "seq": 8})
    book.add(at="2026-01-06T08:00:00Z")
    assert ["e2", "e1", "e0", "e5", "e4", "e3"] == list(book.of())


def test_a_supersede_gives_the_data_that_counts_and_may_give_the_moment(book):
    fact = book.add(data={"value": "0.32"})
    better = book.correct("superseded", fact, {"data": {"value": "0.23"}, "occurred_at": "2026-01-02T08:00:00Z"})
    line = book.of()[fact]
    assert ("superseded", (better,), {"value": "0.23"}, day("2026-01-02T08:00:00"), True) == (
        line.mark,
        line.marked_by,
        line.data,
        line.at,
        line.counts,
    )


def test_withdrawing_a_correction_revives_what_it_replaced(book):
    fact = book.add(data={"value": "1"})
    better = book.correct("superseded", fact, {"data": {"value": "2"}})
    book.correct("withdrawn", better)
    assert (None, {"value": "1"}) == (book.of()[fact].mark, book.of()[fact].data)
    gone = book.correct("withdrawn", fact)
    assert ("withdrawn", (gone,), False) == (book.of()[fact].mark, book.of()[fact].marked_by, book.of()[fact].counts)
    book.correct("withdrawn", gone)
    assert (None, True) == (book.of()[fact].mark, book.of()[fact].counts)


def test_superseding_a_correction_gives_that_correction_s_whole_data(book):
    fact = book.add(data={"value": "1"})
    better = book.correct("superseded", fact, {"data": {"value": "2"}})
    book.correct("superseded", better, {"data": {"target": fact, "data": {"value": "3"}}})
    assert {"value": "3"} == book.of()[fact].data


@pytest.mark.parametrize(
    ("by", "seen", "counts"), [("ada", None, "3"), ("bob", None, "2"), ("bob", 2, "3"), ("bob", 1, "2")]
)
def test_of_two_supersedes_the_later_counts_by_the_same_person_or_one_who_had_seen_it(book, by, seen, counts):
    """CONTRACT A, References. `seen_index` is a count: 2 covers entry 1."""
    fact = book.add(data={"value": "1"})
    one = book.correct("superseded", fact, {"data": {"value": "2"}})
    more = {} if seen is None else {"seen_index": seen}
    two = book.correct("superseded", fact, {"data": {"value": "3"}}, by=by, **more)
    line = book.of()[fact]
    assert ({"value": counts}, (one, two)) == (line.data, line.marked_by)
    book.correct("withdrawn", one)
    assert {"value": "3"} == book.of()[fact].data


def test_a_moved_entry_stands_in_both_histories_struck_in_the_one(book):
    fact = book.add()
    move = book.correct("reattributed", fact, {"to": "unit:U-2"})
    note = book.correct("annotated", fact, {"note": "seen"})
    here, there = book.of(), book.of("unit:U-2")
    assert ("moved_out", (move,), False) == (here[fact].mark, here[fact].marked_by, here[fact].counts)
    assert ("moved_in", (move,), True) == (there[fact].mark, there[fact].marked_by, there[fact].counts)
    assert {fact, move, note} == here.keys() == there.keys()
    book.correct("withdrawn", move)
    assert (None, True) == (book.of()[fact].mark, book.of()[fact].counts)
    assert fact not in book.of("unit:U-2")


def test_a_move_that_was_corrected_goes_where_the_correction_says(book):
    fact = book.add()
    move = book.correct("reattributed", fact, {"to": "unit:U-2"})
    book.correct("superseded", move, {"data": {"target": fact, "to": "unit:U-3"}})
    assert "moved_in" == book.of("unit:U-3")[fact].mark
    assert "moved_out" == book.of("unit:U-2")[fact].mark


def test_custody_follows_what_counts(book):
    book.add("unit.registered", {"owner": "party-a"}, at="2026-01-01T08:00:00Z", site="north")
    book.add("unit.dispatched", {"to": "party-b", "site": "quay"}, at="2026-01-02T08:00:00Z")
    back = book.add("unit.received", {"site": "south"}, at="2026-01-03T08:00:00Z")
    book.add("unit.sold", {"to": "party-c"}, at="2026-01-04T08:00:00Z")
    book.correct("superseded", back, {"data": {"site": "north"}})
    assert [
        Custody(day("2026-01-01T08:00:00"), "party-a", None, "north", 0),
        Custody(day("2026-01-02T08:00:00"), "party-a", "party-b", "quay", 1),
        Custody(day("2026-01-03T08:00:00"), "party-a", None, "north", 2),
        Custody(day("2026-01-04T08:00:00"), "party-c", "party-c", None, 3),
    ] == custody(derived(book, PAGE), "U-1")


def joined(book, unit="U-1"):
    merges = Merges()
    for entry in book:
        merges.take(entry)
    return merges.joined(unit)


def test_a_merge_makes_the_old_page_the_other_s_too_while_it_stands(book):
    """CONTRACT C: entries of a merged unit belong to `into` too while the merge stands."""
    one = book.add("unit.merged", {"into": "U-1"}, subject="unit:U-2")
    book.add("unit.merged", {"into": "U-2"}, subject="unit:U-3")
    assert (["U-2", "U-3"], ["U-3"], []) == (joined(book), joined(book, "U-2"), joined(book, "U-3"))
    back = book.correct("withdrawn", one)
    assert [] == joined(book)
    book.correct("withdrawn", back)
    book.correct("superseded", one, {"data": {"into": "U-9"}})
    assert ([], ["U-2", "U-3"]) == (joined(book), joined(book, "U-9"))


def test_pages_merged_in_a_ring_end(book):
    book.add("unit.merged", {"into": "U-1"}, subject="unit:U-2")
    book.add("unit.merged", {"into": "U-2"}, subject="unit:U-1")
    assert ["U-2"] == joined(book)


def test_who_a_merged_unit_is_says_its_own_registration(book):
    book.add("unit.registered", {"owner": "party-a"}, at="2026-01-01T08:00:00Z")
    book.add("unit.registered", {"owner": "party-b"}, subject="unit:U-2", at="2026-01-02T08:00:00Z")
    lines = [*derived(book, PAGE), *derived(book, "unit:U-2")]
    assert ["party-a"] == [span.owner for span in custody(lines, "U-1")]


# What a service says


def answered(lines):
    """The service's lines, as CONTRACT C writes them."""
    found = []
    for line in lines:
        said = line.entry | {"mark": line.mark, "marked_by": list(line.marked_by), "counts": line.counts}
        said["at"] = line.at.isoformat(timespec="milliseconds").replace("+00:00", "Z")
        if line.data != line.entry["data"]:
            said["data_now"] = line.data
        found.append(said)
    return json.loads(json.dumps(found))


@pytest.fixture
def lines(book):
    fact = book.add(data={"value": "1"})
    book.correct("superseded", fact, {"data": {"value": "2"}})
    book.add(at="2026-01-06T08:00:00Z")
    book.add(at="2026-01-07T08:00:00Z")
    return derived(book, PAGE)


def test_a_service_that_says_the_same_is_right(lines):
    assert [] == compared(lines, answered(lines))


@pytest.mark.parametrize(
    ("change", "fault"),
    [
        (lambda said: said.pop(2), ("missing", 2)),
        (lambda said: said.append(said[0] | {"id": "e9", "index": 9}), ("inserted", 9)),
        (lambda said: said.reverse(), ("reordered", 0)),
        (lambda said: said[0].update(by="bob"), ("differs", 0)),
        (lambda said: said[0].update(mark=None), ("differs", 0)),
        (lambda said: said[0].update(marked_by=[]), ("differs", 0)),
        (lambda said: said[0].update(data_now={"value": "3"}), ("differs", 0)),
        (lambda said: said[0].pop("data_now"), ("differs", 0)),
        (lambda said: said[3].update(counts=False), ("differs", 3)),
        (lambda said: said[3].update(at="2026-01-07T08:00:00.001Z"), ("differs", 3)),
        (lambda said: said[3].pop("at"), ("differs", 3)),
    ],
    ids=range(11),
)
def test_where_a_service_says_otherwise_it_is_located(lines, change, fault):
    said = answered(lines)
    change(said)
    found = [(f.how, f.first) for f in compared(lines, said)]
    assert [fault] == found


def test_another_owner_or_place_than_follows_is_told(book):
    book.add("unit.registered", {"owner": "party-a"})
    book.add("unit.dispatched", {"to": "party-b", "site": "quay"}, at="2026-01-06T08:00:00Z")
    spans = custody(derived(book, PAGE), "U-1")
    card = {"identity": {"owner": "party-a"}, "place": {"party": "party-b", "site": "quay"}}
    assert [] == compared_custody(spans, card)
    card["place"] = {"party": None, "site": "north"}
    assert ["party", "site"] == [f.says.split(":")[0] for f in compared_custody(spans, card)]
