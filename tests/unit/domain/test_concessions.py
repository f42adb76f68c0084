"""Concessions: their ends by day or by hours on the meter chain, and what became of them (JOB.md 1.13; CONTRACT C)."""

from decimal import Decimal as D

import pytest

from service_api.domain.concessions import above_at, granted, overdue_on, row
from tests import factories as f
from tests.histories import at, context, on, state_of, true

METERS = {"meters": [{"meter": "hours", "uom": "h", "start": "100.0"}]}
PAGE = f.registered(more=METERS, occurred_at=on("01-01 00:00"))


def grant(name="CN", hour=9, **ends):
    data = {"concession": name, "for": {"characteristic": "TST-BL"}, "why": "short hire"} | ends
    return f.entry("concession.granted", data, signed={"by": "vouched"}, occurred_at=on(f"01-05 {hour:02}:00"))


def read(hours, moment):
    return f.meter_read(hours, occurred_at=on(moment))


def exchanged(final, start, moment):
    old = f.q(final, "h") if final else {"unknown": "dead when it came off"}
    data = {"meter": "hours", "old_final": old, "new_start": f.q(start, "h")}
    return f.entry("meter.replaced", data, occurred_at=on(moment))


def rows(*raws, today="2026-01-05"):
    where = context(today=today)
    return [row(one, state_of(PAGE, *raws), where) for one in granted(true(PAGE, *raws))]


@pytest.mark.parametrize(("today", "state"), [("2026-01-31", "open"), ("2026-02-01", "overdue")])
def test_on_its_last_day_it_still_counts(today, state):
    (found,) = rows(grant(until_on="2026-01-31"), today=today)
    assert state == found.state


@pytest.mark.parametrize(("shown", "state"), [("50.0", "open"), ("50.1", "overdue")])
def test_hours_go_on_over_a_meter_that_was_replaced(shown, state):
    """100 h at the start, 180 h when the old one came off, the new one from 0: 50 h on it are 230 h."""
    (found,) = rows(
        grant(until_hours=f.q("230", "h")), exchanged("180.0", "0.0", "01-10 09:00"), read(shown, "01-20 09:00")
    )
    assert (state, D("180.0") + D(shown), "230") == (found.state, found.hours_now.value, str(found.until_hours.value))


def test_of_a_range_the_high_end_counts():
    """The old meter's end is not known: 100 h and no more, up to 24 h a day for nine days."""
    gap = exchanged(None, "0.0", "01-10 00:00")
    (found,) = rows(grant(until_hours=f.q("200", "h")), gap)
    assert ("overdue", D("100.0"), D("316.0")) == (found.state, found.hours_now.low, found.hours_now.high)
    (found,) = rows(grant(until_hours=f.q("320", "h")), gap)
    assert "open" == found.state


def test_whichever_end_comes_first():
    both = grant(until_on="2026-03-01", until_hours=f.q("110", "h"))
    assert ["open"] == [r.state for r in rows(both, read("110.0", "01-06 09:00"), today="2026-03-01")]
    assert ["overdue"] == [r.state for r in rows(both, read("110.1", "01-06 09:00"), today="2026-01-06")]
    assert ["overdue"] == [r.state for r in rows(both, today="2026-03-02")]


def test_without_a_reading_hours_cannot_be_past():
    bare = f.registered(occurred_at=on("01-01 00:00"))
    one = grant(until_hours=f.q("1", "h"))
    (known,) = granted(true(bare, one))
    found = row(known, state_of(bare, one), context())
    assert ("open", "no meter") == (found.state, found.hours_now.unknown)


def test_one_that_was_ended_is_ended_whatever_its_day():
    ended = f.entry("concession.ended", {"concession": "CN", "why": "cured"}, occurred_at=on("01-06 09:00"))
    one = grant(until_on="2026-01-31")
    (found,) = rows(one, ended, today="2026-03-01")
    assert ("ended", ended["id"], (one["id"], ended["id"])) == (found.state, found.ended_by, found.entries)


def test_after_its_end_the_id_may_serve_again_and_before_it_the_second_goes_by_its_entry():
    ended = f.entry("concession.ended", {"concession": "CN", "why": "cured"}, occurred_at=on("01-05 10:00"))
    one, two = grant(until_on="2026-01-31"), grant(hour=11, until_on="2026-02-28")
    assert ["ended", "open"] == [r.state for r in rows(one, ended, two)]
    late = ended | {"occurred_at": on("01-05 12:00")}
    assert ["ended", "open"] == [r.state for r in rows(one, two, late)], "the name is that of the first"
    by_entry = late | {"data": {"concession": two["id"], "why": "cured"}}
    assert ["open", "ended"] == [r.state for r in rows(one, two, by_entry)]


def test_it_names_the_releases_that_leaned_on_it():
    leaning = f.released(more={"concessions": ["CN"]}, kind="with_concession", occurred_at=on("01-05 10:00"))
    other = f.released("REL-2", occurred_at=on("01-05 11:00"))
    (found,) = rows(grant(until_on="2026-01-31"), leaning, other)
    assert ("REL-1",) == found.releases


def test_since_when_it_is_past_its_end():
    """1 February 00:00 in the book's zone; the first reading above the hours since the grant."""
    (one,) = granted(true(PAGE, grant(until_on="2026-01-31", until_hours=f.q("110", "h"))))
    assert at("02-01 00:00") == overdue_on(one.body, context(today="2026-02-03"))
    assert None is overdue_on(one.body, context(today="2026-01-31"))
    facts = true(PAGE, read("111.0", "01-04 09:00"), grant(hour=9, until_hours=f.q("110", "h")))
    assert at("01-05 09:00") == above_at(one.body.until_hours, one.at, facts), "past when it was granted"
    facts = true(PAGE, grant(), read("110.0", "01-06 09:00"), read("110.1", "01-07 09:00"), read("120", "01-08 09:00"))
    assert at("01-07 09:00") == above_at(one.body.until_hours, one.at, facts)
