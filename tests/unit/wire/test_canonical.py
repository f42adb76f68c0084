import json
from decimal import Decimal

import pytest
import rfc8785
from hypothesis import given
from hypothesis import strategies as st

from service_api.domain.refusals import BadJson
from service_api.wire.canonical import WHOLE_LIMIT, canonical, entry_text, load, parse

WRITABLE = st.text(st.characters(exclude_categories=("Cs",)), max_size=12)
LEAVES = st.one_of(WRITABLE, st.integers(-WHOLE_LIMIT, WHOLE_LIMIT), st.booleans())
VALUES = st.recursive(
    LEAVES, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(WRITABLE, inner, max_size=4), max_leaves=12
)


@given(VALUES)
def test_an_entry_has_the_bytes_that_the_library_gives_it(value):
    """Differential against rfc8785: names beyond ASCII sort by UTF-16 unit, which Python's own sorting does not do."""
    assert rfc8785.dumps(value) == entry_text(value)


def test_names_sort_by_utf_16_unit_and_not_by_code_point():
    """RFC 8785, 3.2.3: U+1F600 is written with a unit of 0xD83D, so it stands before U+FB33 (0xFB33)."""
    assert '{"\U0001f600":1,"\ufb33":2}'.encode() == entry_text({"\ufb33": 2, "\U0001f600": 1})


@given(VALUES)
def test_what_is_written_is_read_back_the_same(value):
    assert value == load(entry_text(value)) == parse(entry_text(value))


def test_control_characters_are_escaped_as_the_rule_says():
    """RFC 8785, 3.2.2.2: short escapes where JSON has them, else \\u00xx in lower case; DEL as it is."""
    assert b'"\\b\\t\\n\\f\\r\\u001f\\"\\\\\x7f"' == entry_text('\b\t\n\f\r\x1f"\\\x7f')


@pytest.mark.parametrize(
    "text", [b'{"a":1,"a":2}', b'{"a":{"b":1,"b":1}}', b'{"a":NaN}', b"[Infinity]", b"\xff", b"", b"[1"]
)
def test_what_is_no_json_to_us_is_refused(text):
    with pytest.raises(BadJson):
        parse(text)


def test_json_too_deep_to_read_is_refused_and_not_our_fault():
    with pytest.raises(BadJson):
        parse(b"[" * 100_000)


@pytest.mark.parametrize("text", ["0.1", "1e3", "-0.0", "1E400"])
def test_a_number_with_a_fraction_or_exponent_never_becomes_a_float(text):
    assert Decimal(text) == parse(f"[{text}]")[0]
    assert Decimal is type(parse(text))


def test_a_lone_surrogate_has_no_canonical_form():
    with pytest.raises(ValueError):
        canonical(json.loads('"\\ud800"'))
