from dataclasses import dataclass
from decimal import Decimal
from typing import Literal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from marshmallow import ValidationError

from service_api.domain.entries.registry import TYPES
from service_api.domain.forms import (
    Date,
    DateOrUnknown,
    Digest,
    EntryId,
    Ident,
    Moment,
    Pair,
    Place,
    Q,
    Quantity,
    Short,
    Subject,
    TagText,
    Text,
    Unknown,
    Uom,
)
from service_api.domain.plain import plain
from service_api.wire.derive import faults, load, schema_for


@dataclass(frozen=True, kw_only=True)
class Inner:
    at: Decimal
    word: Literal["one", "two"]


@dataclass(frozen=True, kw_only=True)
class Thing:
    """A member of every form that an entry's may have; all but one may be left out."""

    ident: Ident
    text: Text | None = None
    short: Short | None = None
    day: Date | None = None
    moment: Moment | None = None
    entry: EntryId | None = None
    subject: Subject | None = None
    uom: Uom | None = None
    digest: Digest | None = None
    tag: TagText | None = None
    place: Place | None = None
    number: Decimal | None = None
    whole: int | None = None
    flag: bool | None = None
    word: Literal["red", "green"] | None = None
    amount: Q | None = None
    due: DateOrUnknown | None = None
    pair: Pair | None = None
    inner: tuple[Inner, ...] | None = None
    named: dict[str, Q | Text] | None = None
    class_: Short | None = None


def refused(**members):
    """(pointer, code) of every fault."""
    with pytest.raises(ValidationError) as error:
        load(Thing, {"ident": "a"} | members)
    return sorted((f.pointer, f.code) for f in faults(error.value.messages))


# Each refused value breaks one rule of DESIGN section 4 or CONTRACT A; the code is CONTRACT A's.
REFUSED = [
    ("ident", "", "wrong-form"),
    ("ident", "a b", "wrong-form"),
    ("ident", "a" * 65, "wrong-form"),
    ("ident", "a\n", "wrong-form"),
    ("ident", "ä", "wrong-form"),
    ("ident", 7, "wrong-form"),
    ("text", " \t", "wrong-form"),
    ("text", "x" * 4001, "wrong-form"),
    ("text", "a\x00b", "wrong-form"),
    ("text", "\ud800", "wrong-form"),
    ("text", None, "wrong-form"),
    ("text", ["x"], "wrong-form"),
    ("short", "x" * 201, "wrong-form"),
    ("day", "2024-2-1", "wrong-form"),
    ("day", "2023-02-29", "no-such-date"),
    ("day", "٢٠٢٤-٠١-٠١", "wrong-form"),
    ("day", {"unknown": "why"}, "wrong-form"),
    ("moment", "2024-03-01T08:05:00", "no-offset"),
    ("moment", "2024-03-01 08:05:00Z", "bad-moment"),
    ("moment", "2024-02-30T08:05:00Z", "no-such-date"),
    ("entry", "018DF8A0-0000-7000-8000-000000000001", "bad-id"),
    ("entry", "018df8a000007000800000000000000a", "bad-id"),
    ("subject", "unit:", "wrong-form"),
    ("subject", "job:J-1", "wrong-form"),
    ("uom", "furlong", "unknown-uom"),
    ("digest", "AB" * 32, "wrong-form"),
    ("digest", "ab" * 31, "wrong-form"),
    ("tag", "", "bad-tag"),
    ("tag", "x" * 101, "bad-tag"),
    ("tag", "a\tb", "bad-tag"),
    ("place", "unit:", "wrong-form"),
    ("number", 0.3, "bad-decimal"),
    ("number", 3, "bad-decimal"),
    ("number", "1e3", "bad-decimal"),
    ("number", "+1", "bad-decimal"),
    ("number", ".5", "bad-decimal"),
    ("number", "5.", "bad-decimal"),
    ("number", "007", "bad-decimal"),
    ("number", "٣", "bad-decimal"),
    ("number", "NaN", "bad-decimal"),
    ("number", "1,5", "bad-decimal"),
    ("whole", True, "wrong-form"),
    ("whole", "3", "wrong-form"),
    ("whole", Decimal("3.0"), "wrong-form"),
    ("whole", 2**53, "wrong-form"),
    ("flag", 1, "wrong-form"),
    ("flag", "true", "wrong-form"),
    ("word", "blue", "unknown-word"),
    ("word", {}, "wrong-form"),
    ("amount", "0.30", "wrong-form"),
    ("amount", {"unknown": ""}, "wrong-form"),
    ("due", "2024-13-01", "no-such-date"),
    ("pair", ["1"], "wrong-form"),
    ("pair", ["1", "2", "3"], "wrong-form"),
    ("inner", {}, "wrong-form"),
    ("named", [], "wrong-form"),
    ("class", None, "wrong-form"),
]


@pytest.mark.parametrize(("member", "value", "code"), REFUSED)
def test_a_wrong_value_is_refused_at_its_member_with_the_code_of_the_contract(member, value, code):
    pointer = {"amount": "/amount/unknown" if isinstance(value, dict) else "/amount"}.get(member, f"/{member}")
    assert [(pointer, code)] == refused(**{member: value})


def test_the_pointer_leads_into_lists_and_names():
    """RFC 6901: `~` is written ~0 and `/` is written ~1 in a pointer."""
    inner = [{"at": "1", "word": "one"}, {"at": "x", "word": "three", "more": 1}]
    assert [
        ("/inner/1/at", "bad-decimal"),
        ("/inner/1/more", "extra-member"),
        ("/inner/1/word", "unknown-word"),
    ] == refused(inner=inner)
    assert [("/named/a~1b~0c/uom", "unknown-uom")] == refused(named={"a/b~c": {"value": "1", "uom": "nope"}})


def test_a_missing_and_an_extra_member_are_both_said():
    with pytest.raises(ValidationError) as error:
        load(Thing, {"surprise": 1})
    found = {(f.pointer, f.code) for f in faults(error.value.messages)}
    assert {("/ident", "missing-member"), ("/surprise", "extra-member")} == found


@pytest.mark.parametrize("value", [None, 3, "x", [], [1]])
def test_what_is_no_object_is_refused_where_an_object_is_stated(value):
    with pytest.raises(ValidationError) as error:
        load(Thing, value)
    assert [("", "wrong-form")] == [(f.pointer, f.code) for f in faults(error.value.messages)]


def test_every_form_is_taken_as_it_was_written():
    raw = {
        "ident": "A.b_c-9",
        "text": "zwei Zeilen\nund ein ü",
        "day": "2024-02-29",
        "moment": "2024-03-01T08:05:00.25+01:00",
        "entry": "018df8a0-0000-7000-8000-000000000001",
        "subject": "lot:L-1",
        "uom": "mm/{rev}",
        "digest": "0f" * 32,
        "tag": "an owner's label",
        "place": "unit:U-2",
        "number": "-0.30",
        "whole": 2**53 - 1,
        "flag": False,
        "word": "green",
        "amount": {"value": "0.30", "uom": "mm"},
        "due": {"unknown": "torn off"},
        "pair": ["0.10", "2"],
        "inner": [{"at": "0.0", "word": "two"}],
        "named": {"pressure": {"value": "6.0", "uom": "bar"}, "weather": "rain", "load": {"unknown": "no gauge"}},
        "class": "SEL",
    }
    made = load(Thing, raw)
    assert raw == plain(made)
    assert (Decimal("-0.30"), Quantity(Decimal("0.30"), "mm"), Unknown("torn off"), "SEL") == (
        made.number,
        made.amount,
        made.due,
        made.class_,
    )


@given(st.decimals(allow_nan=False, allow_infinity=False, places=4, min_value=-(10**12), max_value=10**12))
def test_a_decimal_keeps_the_digits_that_were_written(value):
    text = format(value, "f")
    assert text == plain(load(Thing, {"ident": "a", "number": text}))["number"]


def test_a_schema_is_built_once_for_each_type():
    assert all(schema_for(t.body) is schema_for(t.body) for t in TYPES.values())
