"""Dataclasses to plain values and back."""

import json
from dataclasses import dataclass, field
from datetime import UTC, datetime
from decimal import Decimal as D

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service_api.domain.entries.registry import TYPES
from service_api.domain.entries.shared import Piece
from service_api.domain.entry import Recorded
from service_api.domain.forms import Quantity, Unknown
from service_api.domain.plain import answer, make, plain, wire_name
from service_api.domain.state import UnitState
from tests import factories as f
from tests.histories import heard, on, state_of
from tests.unit.test_entry_examples import EXAMPLES


@pytest.mark.parametrize("name", TYPES)
def test_an_example_goes_in_and_comes_out_the_same(name):
    raw = EXAMPLES[name]
    body = make(TYPES[name].body, raw["data"])
    assert raw["data"] == plain(body) == json.loads(json.dumps(plain(body)))
    assert raw["data"] == plain(make(TYPES[name].body, plain(body)))
    (entry,) = heard(raw)
    assert entry == make(Recorded, plain(entry))


def test_a_stored_state_comes_back_as_it_was():
    """What `projections` keeps is this text; nothing of the state may be lost on the way."""
    state = state_of(
        f.registered(more={"meters": [{"meter": "hours", "uom": "h", "start": "1.0"}]}, occurred_at=on("01-01 08:00")),
        f.tag_attached("OWN-7"),
        f.job_opened(),
        f.check_answered(job="J-1"),
        f.reading("0.240", stage="as_left", gauge="G-1", hours="12.50", more={"uncertainty": f.q("0.02", "circ")}),
        f.fitted("feed-nut", f.piece(serial="N-7"), occurred_at=on("01-05 10:00")),
        f.fitted("feed-nut", f.piece(serial="N-8"), occurred_at=on("01-05 11:00")),
        f.released(occurred_at=on("01-05 12:00"), signed={"by": "vouched"}),
        f.service_planned("2026-06-01", occurred_at=on("01-05 13:00")),
    )
    again = make(UnitState, json.loads(json.dumps(plain(state))))
    assert state == again
    assert json.dumps(plain(state)) == json.dumps(plain(again))
    assert "0.240" == plain(again)["measured"]["TST-BL"]["latest"]["readings"][0]["value"]


@dataclass(frozen=True, kw_only=True)
class Inner:
    value: D


@dataclass(frozen=True, kw_only=True)
class Whole:
    from_: str
    at: datetime | None = None
    q: Quantity | Unknown | None = None
    pair: tuple[D, D] | None = None
    many: tuple[Inner, ...] = ()
    named: dict[str, Quantity | str] = field(default_factory=dict)


def test_members_that_are_none_are_left_out_of_entries_and_null_in_answers():
    value = Whole(from_="stock")
    assert {"from": "stock", "many": [], "named": {}} == plain(value)
    assert {"from": "stock", "at": None, "q": None, "pair": None, "many": [], "named": {}} == answer(value)


def test_a_value_or_why_it_is_not_known():
    for raw in ({"value": "0.30", "uom": "mm"}, {"unknown": "torn off"}):
        assert raw == plain(make(Whole, {"from": "x", "q": raw}))["q"]
    mixed = {"pressure": {"value": "6.0", "uom": "bar"}, "weather": "rain"}
    made = make(Whole, {"from": "x", "named": mixed})
    assert (Quantity(D("6.0"), "bar"), "rain") == (made.named["pressure"], made.named["weather"])
    assert mixed == plain(made)["named"]


def test_a_moment_is_written_in_utc_to_the_microsecond():
    value = Whole(from_="x", at=datetime(2026, 1, 5, 8, 5, 0, 123456, UTC))
    assert "2026-01-05T08:05:00.123456Z" == plain(value)["at"]
    assert value == make(Whole, plain(value))


def test_an_underscore_that_keeps_clear_of_python_s_words_is_not_seen_outside():
    assert ["from", "class", "use_by"] == [wire_name(n) for n in ("from_", "class_", "use_by")]


@given(st.decimals(allow_nan=False, allow_infinity=False, min_value=D("-1e30"), max_value=D("1e30")))
def test_a_decimal_is_digits_and_never_an_exponent(value):
    text = plain(Inner(value=value))["value"]
    assert "E" not in text.upper()
    assert value == D(text)


@pytest.mark.parametrize("text", ["0.30", "0.3", "-0.0", "100", "1.50000"])
def test_the_digits_that_were_written_stay(text):
    assert text == plain(make(Inner, {"value": text}))["value"]


def test_a_piece_without_optional_members_is_two_members():
    assert {"part_no": "P-1", "qty": 5} == plain(Piece(part_no="P-1", qty=5))
