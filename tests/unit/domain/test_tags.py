"""Tags: DESIGN section 3, CONTRACT C (Tags)."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from stdnum.iso7064 import mod_37_36

from service_api.domain.tags import MINTED, Span, answer, check, mint, normal, ours
from tests.histories import at

EARLY, LATE = at("01-01 08:00"), at("01-03 08:00")
GOOD, OTHER = (
    "FT.01234567" + mod_37_36.calc_check_digit("01234567"),
    "FT.76543210" + mod_37_36.calc_check_digit("76543210"),
)


@given(st.integers(0, len(MINTED) ** 8 - 1))
def test_a_minted_tag_has_the_check_character_of_the_standard_and_types_alike_everywhere(number):
    """ISO/IEC 7064 MOD 37,36 as python-stdnum has it; digits and consonants that every keyboard has in one place."""
    tag = mint(number)
    characters = "".join(MINTED[number // len(MINTED) ** place % len(MINTED)] for place in range(8))
    full = characters + mod_37_36.calc_check_digit(characters)
    assert (f"FT.{full}" if full[-1] in MINTED else None) == tag


@given(st.integers(0, 10**6), st.integers(1, 10**6))
def test_two_numbers_never_make_one_tag(number, more):
    assert mint(number) is None or mint(number) != mint(number + more)


@pytest.mark.parametrize("number", [-1, len(MINTED) ** 8])
def test_there_are_no_more_tags_than_eight_characters_make(number):
    with pytest.raises(ValueError):
        mint(number)


def test_a_misread_tag_is_told_from_a_right_one_and_from_a_foreign_label():
    wrong = GOOD[:-1] + ("A" if GOOD[-1] != "A" else "B")
    assert ["valid", "invalid", "none", "none"] == [check(t) for t in (GOOD, wrong, "OWN-7", GOOD + "X")]
    assert ["valid", "invalid"] == [check(GOOD.lower()), check("FT.ABCDEF*H1")]


def test_only_our_own_tags_are_put_in_upper_case():
    assert [GOOD, "own-7"] == [normal(GOOD.lower()), normal("own-7")]
    assert [True, True, False] == [ours(GOOD), ours("ft.zzzzzzzzz"), ours("FT.1")]


def test_a_tag_points_to_what_wears_it():
    found = answer(GOOD.lower(), [Span("U-1", EARLY, None, None)], None)
    assert (GOOD, "valid", "attached", "U-1", EARLY, None, (), ()) == (
        found.tag,
        found.check,
        found.status,
        found.unit,
        found.since,
        found.until,
        found.worn_before,
        found.warnings,
    )


def test_a_detached_tag_points_to_nothing_and_says_who_wore_it_and_what_it_wears_now():
    found = answer(GOOD, [Span("U-1", EARLY, LATE, "lost")], OTHER)
    assert ("detached", None, LATE, OTHER) == (found.status, found.unit, found.until, found.now_wears)
    assert [("U-1", "lost")] == [(w.unit, w.why) for w in found.worn_before]
    assert ("retired on 2026-01-03, last on U-1",) == found.warnings


def test_a_tag_that_moved_says_what_wore_it_before():
    found = answer(GOOD, [Span("U-1", EARLY, LATE, "crossed"), Span("U-2", LATE, None, None)], None)
    assert ("U-2", ["U-1"]) == (found.unit, [w.unit for w in found.worn_before])


def test_a_tag_on_two_units_points_to_neither():
    found = answer(GOOD, [Span("U-1", EARLY, None, None), Span("U-2", LATE, None, None)], None)
    assert ("attached", None) == (found.status, found.unit)
    assert ("on two units at once: U-1, U-2; read the engraving",) == found.warnings


def test_a_minted_tag_that_nothing_wears_is_unknown():
    assert ("valid", "unknown", None) == (
        answer(GOOD, [], None).check,
        answer(GOOD, [], None).status,
        answer(GOOD, [], None).unit,
    )


def test_a_wrong_check_character_points_to_nothing_whatever_is_attached():
    wrong = GOOD[:-1] + ("A" if GOOD[-1] != "A" else "B")
    found = answer(wrong, [Span("U-1", EARLY, None, None)], None)
    assert ("invalid", "unknown", None) == (found.check, found.status, found.unit)
