"""The compiled check takes a subset of what the schemas take, and makes the same of it; everything else it declines.

The schemas are the measure: values are drawn from the hints, whole and then damaged in one place.
"""

import json
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path
from typing import Annotated, Any, Literal, get_args, get_origin

import pytest
from hypothesis import HealthCheck, event, given, settings
from hypothesis import strategies as st
from marshmallow import ValidationError

from service_api.domain.entries.registry import TYPES
from service_api.domain.entry import Envelope
from service_api.domain.forms import Form
from service_api.domain.plain import alternatives, hints_of, is_record, plain, wire_name
from service_api.domain.refusals import Malformed
from service_api.wire import accept, derive
from service_api.wire.canonical import parse
from service_api.wire.entries import plain_draft, plain_drafts, read_draft

EXAMPLES = sorted((Path(__file__).parents[1] / "vectors" / "entries").glob("*.json"))
MANY = settings(max_examples=80, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))

ODD = ("", " ", "\n", "a\nb", "\x00", "\ud800", "é", "٣", "x" * 65, "x" * 201, "1e3", "-0", "00", "+1", "null")
ODD_VALUES = st.one_of(
    st.sampled_from((None, True, False, 0, 1, -1, 2**53, 1.5, [], {}, [None], {"unknown": ""}, {"unknown": "lost"})),
    st.sampled_from(ODD),
    st.text(max_size=5),
)
TEXTS: dict[str, tuple[str, ...]] = {
    "ident": ("a", "A-1_.b", "x" * 64),
    "date": ("2024-02-29", "2023-01-01", "2023-02-29", "20240101", "2024-W01-1"),
    "moment": (
        "2024-03-01T08:05:00+01:00",
        "2024-03-01t08:05:00.5z",
        "2016-12-31T23:59:60Z",
        "0001-01-01T00:00:00+01:00",
        "9999-12-31T23:59:59-01:00",
        "2024-03-01T08:05:00",
        "2024-03-01T24:00:00Z",
        "2024-03-01 08:05:00Z",
        "2024-03-01T08:05:00.1234567890Z",
    ),
    "entry-id": ("01990000-0000-7000-8000-00000000a001", "01990000-0000-7000-8000-00000000A001", "0199"),
    "subject": ("unit:SEL-004", "lot:L-1", "unit:", "thing:x", "person:a.b"),
    "uom": ("mm", "circ", "{rev}/min", "no-such"),
    "place": ("bay", "unit:SEL-1", "unit:", "unit:a b"),
    "digest": ("a" * 64, "A" * 64, "a" * 63),
    "tag": ("FT.J3K70S6ET", "own label", "x" * 101),
    "text": ("worn", "brass nut, 0.3", "x" * 200, "x" * 4001),
}


def values_of(hint: Any) -> st.SearchStrategy[Any]:
    """JSON values near what a hint allows."""
    choices = alternatives(hint)
    if len(choices) > 1:
        return st.one_of([values_of(c) for c in choices])
    hint = choices[0]
    origin, args = get_origin(hint), get_args(hint)
    if origin is Annotated:
        form = next(a for a in args[1:] if isinstance(a, Form))
        return st.sampled_from(TEXTS[form.name])
    if origin is Literal:
        return st.sampled_from((*args, "no-such-word"))
    if origin is tuple:
        few = (0, 3) if args[-1] is Ellipsis else (len(args), len(args))
        return st.lists(values_of(args[0]), min_size=few[0], max_size=few[1])
    if origin is dict:
        inner = st.sampled_from(("x", 1, ["y"], {"z": "1"})) if args[1] is Any else values_of(args[1])
        return st.dictionaries(st.sampled_from(("a", "a b", "", "\n", "x" * 201)), inner, max_size=2)
    if is_record(hint):
        return records_of(hint)
    if hint is bool:
        return st.booleans()
    if hint is int:
        return st.sampled_from((0, 1, -1, 2**53 - 1, 2**53))
    return st.sampled_from(("0.30", "-1.5", "7", "0." + "1" * 24, "0." + "1" * 25, "1" * 26, "01", "1."))


def records_of(cls: Any) -> st.SearchStrategy[dict[str, Any]]:
    hints = hints_of(cls)
    optional = {wire_name(n): values_of(h) for n, h in hints.items() if not _required(cls, n)}
    needed = {wire_name(n): values_of(h) for n, h in hints.items() if _required(cls, n)}
    return st.fixed_dictionaries(needed, optional=optional)


def _required(cls: Any, name: str) -> bool:
    return derive.required(cls.__dataclass_fields__[name])


def damaged(value: Any, draw: Callable[[Any], Any]) -> Any:
    """The value with something else in one of its places, a member less, or one more."""
    if isinstance(value, dict) and value and draw(st.booleans()):
        name = draw(st.sampled_from(sorted(value)))
        return value | {name: damaged(value[name], draw)}
    if isinstance(value, list) and value and draw(st.booleans()):
        return [damaged(value[0], draw), *value[1:]]
    if isinstance(value, dict) and value and draw(st.booleans()):
        gone = draw(st.sampled_from(sorted(value)))
        return {n: v for n, v in value.items() if n != gone}
    if isinstance(value, dict) and draw(st.booleans()):
        return value | {draw(st.sampled_from(("extra", "from", "class"))): draw(ODD_VALUES)}
    return draw(ODD_VALUES)


@st.composite
def near(draw: Any, cls: Any) -> Any:
    value = draw(records_of(cls))
    return damaged(value, draw) if draw(st.booleans()) else value


def agree(cls: Any, value: Any) -> bool:
    """Whether the check takes the value; when it does, the schema takes it too and makes the same of it."""
    try:
        made = accept.check_for(cls)(value)
    except accept.Declined:
        return False
    loaded = derive.load(cls, value)  # a ValidationError fails the test: the check took what the schema refuses
    assert vars(made) == vars(loaded) or plain(made) == plain(loaded)
    return True


@pytest.mark.parametrize("name", sorted(TYPES))
def test_what_the_check_takes_of_a_types_data_the_schema_takes_too(name: str) -> None:
    @MANY
    @given(near(TYPES[name].body))
    def run(value: Any) -> None:
        event(f"taken: {agree(TYPES[name].body, value)}")

    run()


@settings(MANY, max_examples=1000)
@given(near(Envelope))
def test_what_the_check_takes_of_an_envelope_the_schema_takes_too(value: Any) -> None:
    body = TYPES["tag.scanned"].body
    try:
        made = accept.envelope(value | {"data": {}}, body) if isinstance(value, dict) else None
    except accept.Declined:
        made = None
    if made is not None:
        loaded = derive.load(Envelope, value | {"data": {}})
        assert plain(made) == plain(loaded)
        assert plain(made.body) == {}


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda p: p.stem)
def test_a_whole_entry_is_refused_or_read_alike_by_both_ways(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from service_api.wire import entries

    example = json.loads(path.read_text("utf-8"))

    def both(raw: Any) -> tuple[Any, Any]:
        found = []
        for plainly in (entries._plainly, lambda *_: None):
            with monkeypatch.context() as patched:
                patched.setattr(entries, "_plainly", plainly)
                try:
                    draft = read_draft(raw)
                    found.append((plain(draft.entry), plain(draft.entry.body), draft.cut, draft.digest))
                except Malformed as refusal:
                    found.append(refusal.faults)
        return found[0], found[1]

    @settings(MANY, max_examples=25)
    @given(st.data())
    def run(data: Any) -> None:
        raw = damaged(example, data.draw) if data.draw(st.booleans()) else example
        quick, slow = both(raw)
        assert quick == slow

    run()


@st.composite
def texts_of(draw: Any, value: Any) -> str:
    """A JSON text of the value as somebody may write it: spaces, escapes, numbers, a name that stands twice."""
    often = st.sampled_from((False,) * 20 + (True,))
    gap = "\n " if draw(often) else ""
    if isinstance(value, dict):
        members = [f"{draw(texts_of(k))}:{gap}{draw(texts_of(v))}" for k, v in value.items()]
        if members and draw(often):
            members.insert(0, draw(st.sampled_from(members)) if draw(st.booleans()) else f'"{next(iter(value))}":0')
        return "{" + f",{gap}".join(members) + "}"
    if isinstance(value, list):
        return "[" + f"{gap},".join(draw(texts_of(v)) for v in value) + "]"
    if isinstance(value, str):
        plain = json.dumps(value, ensure_ascii=draw(st.booleans()))
        return plain.replace("a", "\\u0061").replace("/", "\\/") if draw(often) else plain
    if type(value) is int and draw(often):
        return draw(st.sampled_from((f"{value}.0", f"{value}e0", f"{value}E+0", "-0")))
    return json.dumps(value)


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda p: p.stem)
def test_a_text_is_read_plainly_as_by_the_careful_reader_or_not_at_all(path: Path) -> None:
    example = json.loads(path.read_text("utf-8"))

    @settings(MANY, max_examples=20)
    @given(texts_of(example))
    def run(text: str) -> None:
        body = text.encode()
        quick = plain_draft(body)
        several = plain_drafts(b"[" + body + b"," + body + b"]")
        assert (quick is None) == (several is None)
        if quick is not None and several is not None:
            careful = read_draft(parse(body))
            assert [careful] * 3 == [quick, *several]

    run()


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda p: p.stem)
def test_a_text_of_a_plain_example_is_read_at_once_however_it_is_laid_out(path: Path) -> None:
    example = json.loads(path.read_text("utf-8"))
    slow = example["type"] in OPEN or TYPES[example["type"]].computed
    for layout in ({"separators": (",", ":")}, {}, {"indent": 2}):
        body = json.dumps(example, ensure_ascii=False, **layout).encode()
        assert slow or plain_draft(body) is not None


@pytest.mark.parametrize(
    "layout", [{"separators": (",", ":")}, {}, {"indent": 2}], ids=["compact", "spaced", "indented"]
)
def test_a_name_that_stands_twice_is_left_to_the_careful_reader_however_the_text_is_laid_out(layout: Any) -> None:
    example = json.loads((EXAMPLES[0].parent / "tag.scanned.json").read_text("utf-8"))
    text = json.dumps(example, **layout)
    twice = text.replace("{", '{"v":1,', 1)
    assert plain_draft(text.encode()) is not None
    assert plain_draft(twice.encode()) is None
    assert plain_drafts(f"[{text},{twice}]".encode()) is None


# Types whose data holds an open object, which only the schema walks.
OPEN = {
    "entry.superseded",
    "terms.issued",
    "release.reissued",
    "unit.released",
    "sheet.issued",
    "claim.decided",
    "verdict.reassessed",
}


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda p: p.stem)
def test_every_examples_data_is_plainly_valid_unless_it_holds_an_open_object(path: Path) -> None:
    """Or the check would be worth nothing."""
    example = json.loads(path.read_text("utf-8"))
    taken = agree(TYPES[example["type"]].body, example["data"])
    assert taken or example["type"] in OPEN


def test_the_schema_is_the_measure() -> None:
    with pytest.raises(ValidationError):
        derive.load(TYPES["tag.scanned"].body, {"place": "\n"})
    with pytest.raises(accept.Declined):
        accept.check_for(TYPES["tag.scanned"].body)({"place": "\n"})


@pytest.mark.parametrize(
    ("hint", "value"),
    [
        (bool, 1),
        (bool, 0),
        (int, True),
        (int, 2**53),
        (int, 1.0),
        (Decimal, 1),
        (Decimal, "1e3"),
        (tuple[int, ...], {}),
    ],
)
def test_nothing_is_taken_for_another_kind_of_value(hint: Any, value: Any) -> None:
    with pytest.raises(accept.Declined):
        accept.check_for(hint)(value)
