"""Lives of a shop from seeds (B16), and of two benches that were offline (B17)."""

from datetime import timedelta

import pytest

from service_api.domain.entries.registry import TYPES
from service_api.domain.fold import step
from service_api.domain.timeline import Item, simple_item
from service_api.late import Advanced
from service_api.recording import drawing
from tests.faults import offline, simulation
from tests.faults.work import FACTS

SEEDS, PAIRS = 20, 25


@pytest.fixture(scope="module")
def begins(tmp_path_factory):
    return simulation.beginning(tmp_path_factory.mktemp("beginning") / "store")


def test_b16_every_life_of_a_shop_keeps_every_promise_and_can_be_lived_again(begins, tmp_path):
    assert [] == [words for seed in range(SEEDS) for words in simulation.simulate(begins, tmp_path, seed)]


def test_b16_every_kind_of_trouble_comes_up_in_these_lives(begins, tmp_path, monkeypatch):
    """Lives without trouble would prove nothing."""
    met = set()
    for name in ("disk", "restart", "redraw", "set_clock", "set_right", "network", "audit", "pull", "remember"):
        does = getattr(simulation.World, name)
        monkeypatch.setattr(simulation.World, name, lambda world, n=name, d=does: (met.add(n), d(world))[1])
    for seed in range(6):
        with simulation.lived(begins, tmp_path / str(seed), seed) as world:
            met |= {raw["type"] for raw in world.clients.sent.values()}
    assert {"disk", "restart", "redraw", "set_clock", "set_right", "network", "audit", "pull", "remember"} <= met
    assert len(FACTS) <= len({kind for kind in met if "." in kind})


def test_b16_control_a_late_entry_that_is_taken_as_in_order_is_found(begins, tmp_path, monkeypatch):
    monkeypatch.setattr(drawing, "advance", _in_any_order)
    wrong = [words for seed in range(4) for words in simulation.simulate(begins, tmp_path, seed)]
    assert any("unit_state: not as redrawn" in words for words in wrong), wrong


def _in_any_order(state, fresh, tail):
    for entry in fresh:
        if not TYPES[entry.type].corrects:
            state = step(state, simple_item(entry))
    return Advanced(state, None)


def test_b17_two_benches_that_were_offline_come_out_the_same_whoever_arrives_first(begins, tmp_path):
    assert [] == [words for seed in range(PAIRS) for words in offline.merge(begins, tmp_path, seed)]


def test_b17_control_an_order_by_arrival_is_found(begins, tmp_path, monkeypatch):
    monkeypatch.setattr(Item, "key", property(_by_arrival))
    assert [] != [words for seed in range(4) for words in offline.merge(begins, tmp_path, seed)]


def _by_arrival(item):
    return simulation.BEGAN + timedelta(seconds=item.entry.index), 0, item.entry.index
