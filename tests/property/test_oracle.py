"""The stored states against an oracle: a plain fold over the whole book, from its first byte.

Random interleavings of in-order and late facts, corrections, corrections of corrections and moves between units, sent
in random batches. Nothing of how `recording` finds pages, keeps states or steps them is used by the oracle.
"""

import json
from dataclasses import replace
from itertools import count, pairwise

from hypothesis import HealthCheck, Phase, event, given, settings
from hypothesis import strategies as st

from service_api.answering.asking import NOW, When
from service_api.domain.entries.registry import TYPES
from service_api.domain.fold import step
from service_api.domain.plain import plain
from service_api.domain.state import begin, witness
from service_api.domain.timeline import effective_history, facts, fold
from service_api.log import store as log
from service_api.permits import Sender
from service_api.projections import units
from service_api.projections.remarks import read_remarks
from service_api.wire.entries import read_draft, read_stored
from tests import factories as f
from tests.conftest import new_book

UNITS = ("U-1", "U-2", "U-3")
PEOPLE = ("mo.manager", "mia.manager", "max.manager")  # who may send all of it, and none the second of a move
ADMIN = Sender("token-1", vouches=True)
BOOKS = count()
FEW = settings(
    phases=[Phase.explicit, Phase.generate],
    max_examples=40,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)

# Facts of every kind that moves a state, each by a small number that picks its content.
FACTS = (
    lambda n: f.meter_read(str(100 + n)),
    lambda n: f.reading(f"0.{10 + n}", hours=str(100 + n), stage=("as_found", "as_left")[n % 2]),
    lambda n: f.reading("0.05", characteristic="TST-AC", uom="mm", gauge=f.GAUGE),
    lambda n: f.fitted(("feed-nut", "bearing")[n % 2], f.piece(serial=f"S-{n % 3}", lot="L-1")),
    lambda n: f.removed(("feed-nut", "bearing")[n % 2], f.piece(serial=f"S-{n % 3}")),
    lambda n: f.tag_attached(f"OWN-{n % 3}"),
    lambda n: f.tag_detached(f"OWN-{n % 3}"),
    lambda n: f.finding_raised(f"F-{n % 2}", blocking=n % 3 == 0),
    lambda n: f.finding_closed(f"F-{n % 2}"),
    lambda n: f.job_opened(f"J-{n % 2}"),
    lambda n: f.entry("job.closed", {"job": f"J-{n % 2}"}),
    lambda n: f.check_answered("guards", ("ok", "defect")[n % 2], job=f"J-{n % 2}"),
    lambda n: f.hold_placed(f"H-{n % 2}"),
    lambda n: f.hold_lifted(f"H-{n % 2}"),
    lambda n: f.received(),
    lambda n: f.dispatched(),
    lambda n: f.released(f"REL-{n}", more={"job": f"J-{n % 2}", "seen_index": n}),
    lambda n: f.finding_raised(f"F-{n % 2}", blocking=True, more={"slot": "feed-nut"}),
    lambda n: f.work_done("AC-ADJ", more={"slot": "feed-nut"}, site=("north", "south")[n % 2], tag_read="scanned"),
    lambda n: f.hold_lifted(f"piece-gap:{f.entry_id(n)}"),
    lambda n: f.entry("rebuild.completed", {"standard": "s", "scope": [{"slot": "bearing", "treatment": "renewed"}]}),
    lambda n: f.service_planned("2026-06-01"),
)
CORRECTIONS = ("supersede", "withdraw", "move", "note", "dispute", "settle")


@st.composite
def stories(draw):
    """What a book hears after its first page: dicts in the order of arrival, the time of each anywhere in a month."""
    told = []
    for _ in range(draw(st.integers(3, 24))):
        n, who = draw(st.integers(0, 9)), draw(st.sampled_from(PEOPLE))
        late = draw(st.integers(0, 40_000))
        at = f"2025-12-{1 + late // 1440:02}T{late // 60 % 24:02}:{late % 60:02}:00+01:00"
        if told and draw(st.integers(0, 9)) < 5:
            raw = corrected(draw, told, n) | {"by": who}
        else:
            raw = draw(st.sampled_from(FACTS))(n) | {"subject": f"unit:{draw(st.sampled_from(UNITS))}", "by": who}
            if draw(st.booleans()):
                raw["device"] = {"id": "tab", "seq": n, "clock_offset_ms": draw(st.sampled_from([0, 90_000]))}
        told.append(raw | {"occurred_at": at})
    return told


def corrected(draw, told, n):
    kind, target = draw(st.sampled_from(CORRECTIONS)), draw(st.sampled_from(told))
    if kind == "supersede":
        at = "2025-12-15T12:00:00+01:00" if draw(st.booleans()) else None
        raw = f.superseded(target, new_data(draw, target, told, n), at=at)
        if draw(st.booleans()):
            raw["seen_index"] = len(first_page()) + len(told)  # it knew everything before it
        return raw
    if kind == "move":
        moved = [t for t in told if not TYPES[t["type"]].corrects]
        target = draw(st.sampled_from(moved))
        return f.reattributed(target, f"unit:{draw(st.sampled_from(elsewhere(target)))}")
    made = {"withdraw": f.withdrawn, "note": f.annotated, "dispute": f.disputed, "settle": f.settled}
    return made[kind](target)


def elsewhere(target):
    return [u for u in UNITS if f"unit:{u}" != target["subject"]]


def new_data(draw, target, told, n):
    """Other data of the same type as the target's."""
    data = dict(target["data"])
    if target["type"] == "entry.superseded":
        inner = next(t for t in told if t["id"] == data["target"])
        return data | {"data": new_data(draw, inner, told, n)}
    if target["type"] == "entry.reattributed":
        return data | {"to": f"unit:{draw(st.sampled_from(elsewhere(target)))}"}
    if TYPES[target["type"]].corrects:
        return data
    return next(m for make in FACTS if (m := make(n))["type"] == target["type"])["data"]


def first_page():
    """What every book hears first."""
    early = "2025-11-01T08:00:00+01:00"
    page = [f.sheet_issued(), f.registered(f.GAUGE, "GDIAL"), f.gauge_calibrated(), *(f.registered(u) for u in UNITS)]
    return [raw | {"id": f.entry_id(900_000 + n), "occurred_at": early} for n, raw in enumerate(page)]


def batches(told, cuts):
    """The story in pieces; an entry that knew what came before it is not sent together with that."""
    knew = [n for n, raw in enumerate(told) if "seen_index" in raw]
    edges = sorted({0, len(told), *(c % len(told) for c in cuts), *knew})
    return [told[a:b] for a, b in pairwise(edges)]


def hear(store, told, cuts, forgetful=False):
    """A fresh book that heard the story in these pieces; forgetful: by another process each."""
    book = new_book(store, f"oracle.example/{next(BOOKS)}")
    recorder = store.recorder(book.number)
    for batch in (first_page(), *batches(told, cuts)):
        if forgetful:
            recorder.memory.forget()
        outcomes = recorder.record([read_draft(raw) for raw in batch], ADMIN)
        refused = [str(o.refusal) for o in outcomes if o.status != "recorded"]
        assert [] == refused
    return book


def whole(store, book):
    with store.reading.begin() as connection:
        return [read_stored(stored.hashed) for stored in log.read(connection, book.number)]


def stored_states(store, book):
    with store.reading.begin() as connection:
        found = units.read_states(connection, book.number, UNITS)
        remarks = {unit: read_remarks(connection, book.number, unit) for unit in UNITS}
    return {unit: said_of(replace(state, remarks=remarks[unit])) for unit, state in found.items()}


def said_of(state):
    """The state as plain data; its remarks are kept in no order."""
    return plain(replace(state, remarks=tuple(sorted(state.remarks, key=lambda r: r.key))))


# The oracle


def by_the_book(entries, unit):
    """The state by folding the whole book. It has come as far as the last entry that ever had a say on the page."""
    history = effective_history(entries, f"unit:{unit}")
    state = fold(step, begin(unit), facts(history))
    known = {e.id: e for e in entries}
    pages = {}
    for entry in entries:
        root = root_of(entry, known)
        pages.setdefault(root.id, {root.subject}).update({moved_to(entry, known)} - {None})
    return witness(state, max(e.index for e in entries if f"unit:{unit}" in pages[root_of(e, known).id]))


def root_of(entry, known):
    while TYPES[entry.type].corrects:
        entry = known[entry.data["target"]]
    return entry


def moved_to(entry, known):
    """Where a move, or a correction of a move, says that its fact belongs."""
    data = entry.data
    while entry.type == "entry.superseded":
        entry, data = known[entry.data["target"]], data["data"]
    return data["to"] if entry.type == "entry.reattributed" else None


STORIES = stories()
CUTS = st.lists(st.integers(0, 30), max_size=8)


@FEW
@given(STORIES, CUTS, CUTS)
def test_the_stored_states_are_those_of_a_fold_over_the_whole_book_however_it_was_sent(store, told, cuts, others):
    book = hear(store, told, cuts)
    entries = whole(store, book)
    expected = {unit: said_of(by_the_book(entries, unit)) for unit in UNITS}
    for raw in told:
        event(raw["type"])
    assert expected == stored_states(store, book)
    assert expected == stored_states(store, hear(store, told, others))


@FEW
@given(STORIES, CUTS, st.integers(0, 24))
def test_what_was_known_then_is_what_a_book_says_that_only_ever_heard_that_much(store, told, cuts, heard):
    told_then = told[: heard % len(told)]
    long, short = hear(store, told, cuts), hear(store, told_then, [])
    then = When(known=len(first_page()) + len(told_then))
    for unit in UNITS:
        for question in ("condition", "card", "slots", "identity"):
            asked = getattr(store.answers(long.number), question)(unit, then)
            heard_only = getattr(store.answers(short.number), question)(unit, NOW)
            assert said(heard_only) == said(asked), question
        asked = store.answers(long.number).wear(unit, "TST-BL", then)
        assert said(store.answers(short.number).wear(unit, "TST-BL", NOW)) == said(asked)
        lines = store.answers(long.number).history(unit, then)[0]["entries"]
        assert store.answers(short.number).history(unit, NOW)[0]["entries"] == lines


def said(answer):
    """The answer without the count that only the one was asked for."""
    found = json.loads(answer.text)
    found["as_of"]["known_index"] = None
    return found


@FEW
@given(STORIES, CUTS)
def test_a_tag_points_to_the_units_whose_state_wears_it(store, told, cuts):
    book = hear(store, told, cuts)
    entries = whole(store, book)
    worn = {unit: by_the_book(entries, unit).tags for unit in UNITS}
    for tag in ("OWN-0", "OWN-1", "OWN-2"):
        expected = [(t.since, unit, t.until, t.why) for unit in UNITS for t in worn[unit] if t.tag == tag]
        with store.reading.begin() as connection:
            found = [(s.since, s.unit, s.until, s.why) for s in units.tag_spans(connection, book.number, tag)]
        assert sorted(expected, key=str) == sorted(found, key=str)
