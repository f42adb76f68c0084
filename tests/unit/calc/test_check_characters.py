import pytest
from hypothesis import given
from hypothesis import strategies as st
from stdnum.iso7064 import mod_37_36

from service_api.calc.check_characters import ALPHABET, check_character, is_checked, with_check

PAYLOADS = st.text(ALPHABET, min_size=1, max_size=20)


def test_the_published_identifier_gets_its_published_character():
    """GRid specification, example A1-2425G-ABC1234002-M (as read in the doctests of python-stdnum 2.2)."""
    assert "M" == check_character("A12425GABC1234002")


@given(PAYLOADS)
def test_another_implementation_gives_the_same_character(payload):
    """python-stdnum 2.2, iso7064.mod_37_36."""
    assert mod_37_36.calc_check_digit(payload) == check_character(payload)


@given(PAYLOADS, st.data())
def test_a_single_wrong_character_is_always_found(payload, data):
    """A property of the system: ISO/IEC 7064, table of what each system detects."""
    full = with_check(payload)
    place = data.draw(st.integers(0, len(full) - 1))
    other = data.draw(st.sampled_from([character for character in ALPHABET if character != full[place]]))
    assert is_checked(full)
    assert not is_checked(full[:place] + other + full[place + 1 :])


@pytest.mark.parametrize("payload", ["", "sel0007", "SEL-0007", "SEL 7", "\u09ea", "\u017f"])
def test_what_is_outside_the_alphabet_is_refused(payload):
    with pytest.raises(ValueError):
        check_character(payload)
    assert not is_checked(payload + "A")


def test_a_lone_character_has_nothing_to_check():
    assert not is_checked("A")
    assert not is_checked("")
