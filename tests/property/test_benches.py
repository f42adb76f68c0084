"""Benches that write, wait, send, send again and correct one another, against plain models of what follows."""

import json
import os
import random
from datetime import UTC, datetime
from itertools import pairwise

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, precondition, rule, run_state_machine_as_test
from sqlalchemy import select

from service_api import late
from service_api.domain.entries.registry import TYPES
from service_api.domain.plain import plain
from service_api.domain.timeline import Item
from service_api.projections import tables
from service_api.wire.entries import read_draft
from tests import factories as f
from tests.conftest import new_book
from tests.property import plain_pages
from tests.property.test_oracle import (
    ADMIN,
    BOOKS,
    CUTS,
    FACTS,
    FEW,
    PEOPLE,
    STORIES,
    UNITS,
    by_the_book,
    corrected,
    first_page,
    hear,
    new_data,
    said_of,
    stored_states,
    whole,
)
from tests.unit.ops.test_redraw import changed

BENCHES = PEOPLE[:2]
UNSIGNED = [make for make in FACTS if make(0)["type"] != "unit.released"]
EARLY = datetime(2025, 1, 1, tzinfo=UTC)


def moments(minutes):
    return f"2025-12-{1 + minutes // 1440:02}T{minutes // 60 % 24:02}:{minutes % 60:02}:00+01:00"


def shown(store, book, unit):
    """(id, mark, data that counts) of each line of the answer."""
    lines = store.answers(book.number).history(unit)[0]["entries"]
    return [(line["id"], line["mark"], line.get("data_now", line["data"])) for line in lines]


class Shop(RuleBasedStateMachine):
    """A book and two benches, each with slips that it has not sent yet."""

    def __init__(self, store):
        super().__init__()
        self.store, self.book = store, new_book(store, f"benches.example/{next(BOOKS)}")
        self.slips = {bench: [] for bench in BENCHES}
        self.told, self.answers = [], {}
        self.record(first_page())

    def record(self, raws, strict=False):
        return self.store.recorder(self.book.number).record([read_draft(raw) for raw in raws], ADMIN, strict)

    @rule(
        who=st.sampled_from(BENCHES),
        make=st.sampled_from(FACTS),
        n=st.integers(0, 9),
        unit=st.sampled_from(UNITS),
        at=st.integers(0, 40_000),
        offset=st.sampled_from([None, 0, 90_000]),
    )
    def writes(self, who, make, n, unit, at, offset):
        raw = make(n) | {"subject": f"unit:{unit}", "by": who, "occurred_at": moments(at)}
        if offset is not None:
            raw["device"] = {"id": f"tab-{who}", "seq": n, "clock_offset_ms": offset}
        self.slips[who].append(raw)

    @precondition(lambda self: self.told)
    @rule(who=st.sampled_from(BENCHES), data=st.data(), n=st.integers(0, 9), at=st.integers(0, 40_000))
    def corrects(self, who, data, n, at):
        if all(TYPES[t["type"]].corrects for t in self.told):
            return
        self.slips[who].append(corrected(data.draw, self.told, n) | {"by": who, "occurred_at": moments(at)})

    @precondition(lambda self: any(t["type"] == "entry.superseded" for t in self.told))
    @rule(who=st.sampled_from(BENCHES), data=st.data(), n=st.integers(0, 9), at=st.integers(0, 40_000))
    def contradicts(self, who, data, n, at):
        """Another correction of what is corrected already, by somebody who had seen that or had not."""
        earlier = data.draw(st.sampled_from([t for t in self.told if t["type"] == "entry.superseded"]))
        target = next(t for t in self.told if t["id"] == earlier["data"]["target"])
        raw = f.superseded(target, new_data(data.draw, target, self.told, n)) | {"by": who, "occurred_at": moments(at)}
        if data.draw(st.booleans()):
            raw["seen_index"] = len(first_page()) + len(self.told)
        self.slips[who].append(raw)

    @rule(who=st.sampled_from(BENCHES), strict=st.booleans())
    def sends(self, who, strict):
        self.send(who, strict)

    def send(self, who, strict=False):
        slips, self.slips[who] = self.slips[who], []
        for raw, outcome in zip(slips, self.record(slips, strict), strict=True):
            assert "recorded" == outcome.status, str(outcome.refusal)
            self.told.append(raw)
            self.answers[raw["id"]] = outcome.answer

    @precondition(lambda self: self.told)
    @rule(data=st.data(), strict=st.booleans())
    def sends_again(self, data, strict):
        """The first answer is repeated, whatever was recorded since."""
        again = data.draw(st.lists(st.sampled_from(self.told), min_size=1, max_size=4))
        for raw, outcome in zip(again, self.record(again, strict), strict=True):
            assert ("again", self.answers[raw["id"]]) == (outcome.status, outcome.answer)

    @precondition(lambda self: any(self.slips.values()))
    @rule(who=st.sampled_from(BENCHES))
    def sends_with_one_that_is_refused(self, who):
        """A strict request is all or nothing."""
        size = len(whole(self.store, self.book))
        bad = f.scanned() | {"subject": "unit:U-999", "by": who, "occurred_at": moments(0)}
        statuses = [outcome.status for outcome in self.record([*self.slips[who], bad], strict=True)]
        assert [*["spared"] * len(self.slips[who]), "refused"] == statuses
        assert size == len(whole(self.store, self.book))

    def teardown(self):
        for bench in BENCHES:
            self.send(bench)
        entries = whole(self.store, self.book)
        known, raw = {e.id: e for e in entries}, [plain(e) for e in entries]
        assert [*(r["id"] for r in first_page()), *(r["id"] for r in self.told)] == [e.id for e in entries]
        assert {u: said_of(by_the_book(entries, u)) for u in UNITS} == stored_states(self.store, self.book)
        for unit in UNITS:
            assert plain_pages.page(raw, f"unit:{unit}") == shown(self.store, self.book, unit)
        with self.store.reading.begin() as connection:
            wanted = select(tables.change).where(tables.change.c.book == self.book.number)
            rows = [tuple(row[1:]) for row in connection.execute(wanted)]
        assert sorted(changed(entries, known)) == sorted(rows)


@pytest.mark.parametrize("length", [3, 48])
def test_b15_whatever_benches_do_histories_states_and_changes_are_those_of_the_plain_models(store, monkeypatch, length):
    monkeypatch.setattr(late, "LENGTH", length)
    few = settings(
        max_examples=40,
        stateful_step_count=50,
        phases=[Phase.generate],
        deadline=None,
        derandomize=True,
        suppress_health_check=list(HealthCheck),
    )
    run_state_machine_as_test(lambda: Shop(store), settings=few)


@FEW
@given(STORIES, CUTS)
def test_b15_a_history_is_what_the_words_of_the_contract_say(store, told, cuts):
    """Told in random batches: corrections of corrections, moves, corrections that contradict each other."""
    book = hear(store, told, cuts)
    raw = [plain(e) for e in whole(store, book)]
    for unit in UNITS:
        assert plain_pages.page(raw, f"unit:{unit}") == shown(store, book, unit)


def test_b15_control_a_withdrawn_fact_that_stays_in_its_stretch_is_found(store, monkeypatch):
    monkeypatch.setattr(late, "LENGTH", 1)
    monkeypatch.setattr(late._Page, "_move", lambda *_: None)
    held = f.hold_placed("H-1") | {"subject": "unit:U-1", "occurred_at": moments(0)}
    book = hear(store, [held, f.withdrawn(held) | {"occurred_at": moments(1)}], [1])
    expected = {u: said_of(by_the_book(whole(store, book), u)) for u in UNITS}
    found = stored_states(store, book)
    assert ({}, ["H-1"]) == (expected["U-1"]["holds"], list(found["U-1"]["holds"]))


# Two benches offline


def two_benches(chance):
    """What each of two benches wrote while offline: no two facts at the same moment, and no release.

    What a release did not know is told by what was heard before it (JOB.md 4.2), so it does depend on who sent first.
    """
    times = iter(chance.sample(range(40_000), 30))
    for bench in BENCHES:
        yield [
            chance.choice(UNSIGNED)(chance.randrange(10))
            | {"subject": f"unit:{chance.choice(UNITS)}", "by": bench, "occurred_at": moments(next(times))}
            for _ in range(chance.randrange(1, 12))
        ]


def interleaved(chance, one, other):
    """Both in their own order, however the two mix."""
    turns = [0] * len(one) + [1] * len(other)
    chance.shuffle(turns)
    queues = (iter(one), iter(other))
    return [next(queues[turn]) for turn in turns]


def joined(store, chance, told):
    """A book that heard this, in random pieces; every unit's state without the places in the book."""
    book = new_book(store, f"joined.example/{next(BOOKS)}")
    edges = sorted({0, len(told), *(chance.randrange(len(told)) for _ in range(3))})
    for batch in (first_page(), *(told[a:b] for a, b in pairwise(edges))):
        for outcome in store.recorder(book.number).record([read_draft(raw) for raw in batch], ADMIN):
            assert "recorded" == outcome.status, str(outcome.refusal)
    found = stored_states(store, book)
    ids = {e.id for e in whole(store, book)}
    assert {raw["id"] for raw in told} <= ids, "no entry is lost"
    return json.loads(json.dumps(found), object_hook=_without_places)


def _without_places(members):
    """Where an entry stands in the book depends on who sent first, and nothing else does."""
    found = {k: v for k, v in members.items() if k not in ("index", "head_index", "fits")}
    if "order" in found:
        found["order"] = found["order"][0]
    if "touches" in found and isinstance(found["touches"], dict):
        found["touches"] = {slot: key[0] for slot, key in found["touches"].items()}
    return found


@pytest.mark.parametrize("length", [3, 48])
def test_b17_two_benches_that_were_offline_give_one_result_in_any_order_of_arrival(store, monkeypatch, length):
    """JOB.md 4.3: all entries are kept, and nobody's wins by arriving last. PAIRS=1000 is the long run."""
    monkeypatch.setattr(late, "LENGTH", length)
    for seed in range(int(os.environ.get("PAIRS", "15"))):
        chance = random.Random(seed)
        one, other = two_benches(chance)
        first = joined(store, chance, [*one, *other])
        for told in ([*other, *one], interleaved(chance, one, other)):
            assert first == joined(store, chance, told), seed


def test_b17_control_an_order_of_arrival_that_counts_is_found(store, monkeypatch):
    monkeypatch.setattr(Item, "key", property(lambda item: (EARLY, 0, item.entry.index)))
    chance = random.Random(0)
    one, other = two_benches(chance)
    assert joined(store, chance, [*one, *other]) != joined(store, chance, [*other, *one])
