"""Records say and refuse what a frozen dataclass does: the standard library's own is the oracle."""

import copy
import dataclasses
import pickle
from dataclasses import FrozenInstanceError, dataclass, field

import pytest

from service_api.domain import records
from service_api.domain.records import builder, keep_aside, record, replace


@record
class Slot:
    """A slot."""

    name: str
    pieces: int = 1
    checks: dict[str, str] = field(default_factory=dict)


@record(kw_only=True)
class Fit:
    at: str | None = None
    slot: Slot


@record(kw_only=True)
class Refit(Fit):
    why: str


@record
class Empty:
    pass


@dataclass(frozen=True)
class Twin:
    name: str
    pieces: int = 1
    checks: dict[str, str] = field(default_factory=dict)


CALLS = [
    (("feed-nut",), {}),
    (("feed-nut", 2), {}),
    (("feed-nut",), {"checks": {"a": "ok"}}),
    ((), {"name": "feed-nut", "pieces": 3}),
    ((), {}),
    (("a", 1, {}, "too many"), {}),
    (("a",), {"name": "b"}),
    (("a",), {"unknown": 1}),
]


@pytest.mark.parametrize(("given", "members"), CALLS)
def test_it_takes_what_a_dataclass_takes(given, members):
    try:
        wanted = dataclasses.asdict(Twin(*given, **members))
    except TypeError:
        with pytest.raises(TypeError):
            Slot(*given, **members)
    else:
        assert wanted == dataclasses.asdict(Slot(*given, **members))


def test_each_instance_gets_a_default_of_its_own():
    one, other = Slot("a"), Slot("b")
    one.checks["look"] = "ok"
    assert {} == other.checks


def test_it_is_equal_by_its_members_and_its_class():
    assert Slot("a") == Slot("a") != Slot("a", 2)
    assert Slot("a") != Twin("a")
    assert Fit(slot=Slot("a")) != Refit(slot=Slot("a"), why="worn")
    assert Empty() == Empty()
    noted = Slot("a")
    keep_aside(noted, "the text of it")
    assert noted == Slot("a")


def test_it_can_be_a_key_as_far_as_its_members_can():
    assert 1 == len({Fit(at="x", slot=None), Fit(at="x", slot=None)})
    assert 1 == len({Empty(), Empty()})
    with pytest.raises(TypeError):
        hash(Slot("a"))


def test_nothing_is_assigned_and_nothing_is_taken_out():
    slot = Slot("a")
    with pytest.raises(FrozenInstanceError):
        slot.name = "b"
    with pytest.raises(FrozenInstanceError):
        slot.other = "b"
    with pytest.raises(FrozenInstanceError):
        del slot.name
    assert "a" == slot.name


def test_it_shows_its_members():
    twin = repr(Twin("a"))
    assert twin.replace("Twin", "Slot") == repr(Slot("a"))
    assert "A slot." == Slot.__doc__


def test_a_subclass_has_the_members_of_both_and_its_own_init():
    made = Refit(slot=Slot("a"), why="worn")
    assert ("at", "slot", "why") == tuple(f.name for f in dataclasses.fields(made))
    assert (None, "worn") == (made.at, made.why)
    with pytest.raises(TypeError):
        Fit(slot=Slot("a"), why="worn")


def test_it_can_be_copied_pickled_matched_and_replaced():
    slot = Slot("a", 2)
    assert (
        slot == copy.deepcopy(slot) == pickle.loads(pickle.dumps(slot)) == dataclasses.replace(Slot("b", 2), name="a")
    )
    assert slot == replace(Slot("b", 2), name="a") == builder(Slot)({"name": "a", "pieces": 2})
    match slot:
        case Slot(name, pieces):
            assert ("a", 2) == (name, pieces)


def test_its_init_is_compiled_with_the_first_instance(monkeypatch):
    made = []
    whole = records._compiled_init
    monkeypatch.setattr(records, "_compiled_init", lambda cls: made.append(cls) or whole(cls))

    @record
    class Late:
        name: str

    assert [] == made
    assert ["a", "b"] == [Late(name).name for name in "ab"]
    assert [Late] == made
