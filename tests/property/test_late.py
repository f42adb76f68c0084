"""Late entries and corrections on pages that are cut into stretches, against the plain fold over the whole book.

Stretches are made short, so that a story of some twenty entries has many.
"""

from functools import partial
from itertools import product

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service_api import late
from service_api.domain.cells import (
    ALWAYS,
    NAMED,
    TOUCHES,
    WHOLE,
    bears_on,
    cells,
    changed,
    patched,
    touches,
    value,
)
from service_api.domain.fold import step
from service_api.domain.fold.handlers import HANDLERS
from service_api.domain.records import replace
from service_api.domain.state import UnitState, begin
from service_api.domain.timeline import effective_history, facts
from service_api.log import driver
from service_api.pages import draw_unit
from service_api.projections import stretches as rows
from service_api.wire.entries import read_draft
from tests.histories import heard
from tests.property.test_oracle import (
    ADMIN,
    CUTS,
    FEW,
    STORIES,
    UNITS,
    by_the_book,
    first_page,
    hear,
    said_of,
    stored_states,
    whole,
)


@pytest.fixture(params=[1, 2, 3])
def short_stretches(request, monkeypatch):
    monkeypatch.setattr(late, "LENGTH", request.param)


@FEW
@given(STORIES, CUTS, st.booleans())
def test_the_stored_states_are_those_of_a_fold_over_the_whole_book(store, short_stretches, told, cuts, forgetful):
    book = hear(store, told, cuts, forgetful)
    entries = whole(store, book)
    assert {u: said_of(by_the_book(entries, u)) for u in UNITS} == stored_states(store, book)


@FEW
@given(STORIES, CUTS, st.booleans())
def test_a_stretch_leaves_what_the_facts_up_to_its_end_say(store, short_stretches, told, cuts, forgetful):
    """Facts stand in one stretch each, in order; its rows say what the touched cells say at its end."""
    book = hear(store, told, cuts, forgetful)
    entries = whole(store, book)
    with store.reading.begin() as connection:
        ask = partial(driver.rows, connection)
        for unit in UNITS:
            found = rows.stretches(ask, book.number, unit)
            known = [e for e in entries if found and e.index <= found[-1].upto]
            items = facts(effective_history(known, f"unit:{unit}"))
            firsts = [s.first for s in found]
            assert sorted(firsts) == firsts
            assert len(items) == sum(s.facts for s in found)
            state = begin(unit)
            for stretch in found:
                here, items = items[: stretch.facts], items[stretch.facts :]
                for item in here:
                    state = step(state, item)
                    assert stretch.first <= late.key_text(item.key) <= stretch.last
                left = rows.left_at(ask, book.number, unit, stretch.place)
                assert {c for item in here for c in touches(item)} <= left.keys()
                for cell, text in left.items():
                    if cell.name or cell.member in WHOLE:
                        assert rows.said_of(value(state, cell)) == text, cell


@FEW
@given(STORIES, CUTS)
def test_the_state_before_a_fact_is_what_the_facts_before_it_say(store, short_stretches, told, cuts):
    book = hear(store, told, cuts)
    entries = whole(store, book)
    with store.reading.begin() as connection:
        for unit in UNITS:
            items = facts(effective_history(entries, f"unit:{unit}"))
            index = by_the_book(entries, unit).index  # the whole page was asked, also what came after the fact
            state = begin(unit)
            for item in items:
                found = late.state_before(connection, book.number, unit, item.key)
                assert said_of(replace(state, remarks=(), index=index)) == said_of(found)
                state = step(state, item)


@FEW
@given(STORIES, CUTS)
def test_the_state_by_what_was_known_is_what_those_entries_say_where_it_is_had_without_the_page(
    store, short_stretches, told, cuts
):
    book = hear(store, told, cuts)
    entries = whole(store, book)
    with store.reading.begin() as connection:
        for unit, more in product(UNITS, range(3)):
            known, moment = len(entries) - more, None if more == 1 else entries[len(entries) // 2].moment
            found = late.state_known(connection, book.number, unit, known, moment)
            if found is not None:
                folded = draw_unit(connection, book.number, unit, known, moment)
                assert said_of(replace(folded, remarks=())) == said_of(found)


@FEW
@given(STORIES, st.integers(1, 23))
def test_a_page_that_was_never_cut_is_cut_when_need_be(store, monkeypatch, told, first):
    """As after a redraw, which forgets where pages were cut."""
    monkeypatch.setattr(late, "LENGTH", 2)
    first = min(first, len(told) - 1)
    book = hear(store, told[:first], [])
    with store.writing.begin() as connection:
        for unit in UNITS:
            for gone in rows.uncut_rows(book.number, unit):
                driver.change_many(connection, gone.sql, gone.rows)
    for raw in told[first:]:
        store.recorder(book.number).record([read_draft(raw)], ADMIN)
    entries = whole(store, book)
    assert {u: said_of(by_the_book(entries, u)) for u in UNITS} == stored_states(store, book)


@FEW
@given(STORIES)
def test_a_fact_does_to_a_state_what_it_does_to_the_cells_that_it_touches(told):
    """Each fact is stepped twice: from the whole state, and from a state that has only what it says it touches."""
    entries = heard(*first_page(), *told)
    for unit in UNITS:
        state = begin(unit)
        for item in facts(effective_history(entries, f"unit:{unit}")):
            seen = touches(item) | ALWAYS
            part = patched(begin(unit), {c: v for c, v in cells(state) if seen & set(bears_on(c))})
            after, alone = step(state, item), step(part, item)
            assert alone.remarks == after.remarks[len(state.remarks) :]
            own = {c for c in changed(part, alone) if c.name == item.entry.id}
            for cell in {c for s in (state, after) for c, _ in cells(s)}:
                if cell in own or seen & set(bears_on(cell)):
                    assert value(after, cell) == value(alone, cell), (item.entry.type, cell)
                else:
                    assert value(state, cell) == value(after, cell), (item.entry.type, cell)
            state = after


def test_every_member_of_a_state_is_a_cell_or_bookkeeping():
    bookkeeping = {"unit", "entries", "index", "head_at", "head_seq", "head_index", "remarks"}
    assert set(UnitState.__dataclass_fields__) == {*WHOLE, *NAMED, "raised", *bookkeeping}


def test_every_type_with_a_handler_says_what_it_touches():
    """One that does not is right all the same, but whatever comes after a change is folded again for it."""
    assert set(HANDLERS) == set(TOUCHES)
