from decimal import Decimal
from fractions import Fraction

import pint
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from pytest import approx

from service_api.calc import uom
from service_api.calc.uom import UnknownUom, WrongDimension, convert, decimal_from, dimension, factor
from tests.vectors.adapters import PINT

REGISTRY = pint.UnitRegistry()
SCALES = {"degC", "degree_Celsius", "degF", "degree_Fahrenheit"}
KNOWN = [(name, code) for name, code in PINT.items() if name not in SCALES]
PAIRS = [(a, b) for i, a in enumerate(KNOWN) for b in KNOWN[i:] if dimension(a[1]) == dimension(b[1])]
RATIOS = st.sampled_from([(a[1], b[1]) for a, b in PAIRS])
VALUES = st.decimals("-1e9", "1e9", places=4)


def test_every_pair_that_pint_knows_has_the_ratio_that_pint_gives():
    """Pint 0.25 has its own table and its own parser. It works in doubles, hence the tolerance."""
    assert 200 < len(PAIRS)
    for (name, code), (other, other_code) in PAIRS:
        ratio = REGISTRY.Quantity(1.0, name).to(other).magnitude
        assert approx(ratio, rel=1e-12) == float(factor(code, other_code)), (code, other_code)


@pytest.mark.parametrize(
    ("source", "target", "ratio"),
    [
        ("[psi]", "Pa", Fraction("8896443230521/1290320000")),  # exact pound, inch and gravity; tests/vectors/checks
        ("[in_i]", "mm", Fraction("25.4")),  # the international inch
        ("[lb_av]", "kg", Fraction("0.45359237")),  # the international pound
        ("[lbf_av]", "N", Fraction("4.4482216152605")),  # NIST SP 811, B.8: exact
        ("bar", "kPa", Fraction(100)),
        ("{rev}/min", "Hz", Fraction(1, 60)),  # an annotation is 1
        ("mm/{rev}", "m", Fraction(1, 1000)),
        ("L/min", "m3/s", Fraction(1, 60000)),
        ("l", "L", Fraction(1)),
        ("MOhm", "Ohm", Fraction(10**6)),
        ("kN.m", "N.m", Fraction(1000)),
        ("J", "N.m", Fraction(1)),
        ("circ", "deg", Fraction(360)),
        ("deg", "'", Fraction(60)),
        ("''", "circ", Fraction(1, 1296000)),
        ("10*3", "1", Fraction(1000)),
        ("10*-2", "%", Fraction(1)),
        ("m/s/s", "m.s-2", Fraction(1)),
        ("m/s.s", "m", Fraction(1)),  # left to right: (m/s).s
        ("m/(s.s)", "m/s2", Fraction(1)),
        ("/s", "Hz", Fraction(1)),
        ("60.s", "min", Fraction(1)),
        ("wk", "h", Fraction(168)),
        ("mo", "d", Fraction("30.4375")),  # UCUM: mo_j, a twelfth of 365.25 d
        ("dB[SPL]", "B[SPL]", Fraction(1, 10)),
        ("dB[SPL]{A}", "dB[SPL]", Fraction(1)),
        ("Cel", "K", Fraction(1)),  # the size of a degree
        ("[degF]", "Cel", Fraction(5, 9)),
    ],
)
def test_a_code_means_what_ucum_says(source, target, ratio):
    """The Unified Code for Units of Measure 2.2, grammar and table, where no other source is named."""
    assert ratio == factor(source, target)


@pytest.mark.parametrize(
    ("value", "source", "target", "want"),
    [
        ("0.4", "[mil_i]", "um", "10.16"),  # 0.0004 in * 25.4 mm
        ("20", "Cel", "K", "293.15"),  # the zero of the scale is 273.15 K
        ("-40", "Cel", "[degF]", "-40"),  # the scales meet
        ("212", "[degF]", "Cel", "100"),  # water boils
        ("1", "d", "a", "0.002737850787132101300479123888"),  # 4/1461, worked out to 28 digits by hand
        ("1000000", "mm", "km", "1"),
        ("5", "km", "mm", "5000000"),
        ("0", "[psi]", "bar", "0"),
    ],
)
def test_a_value_is_converted_exactly_or_to_28_digits(value, source, target, want):
    assert want == f"{convert(Decimal(value), source, target):f}"


def test_nothing_to_convert_changes_no_digit():
    """0.30 stays 0.30: the digits say how well it was measured."""
    assert "0.30" == str(convert(Decimal("0.30"), "mm", "mm"))
    assert "0.30" == str(convert(Decimal("0.30"), "L/min", "l/min"))


@given(VALUES, RATIOS)
def test_there_and_back_is_the_value_that_went(value, pair):
    there = convert(value, *pair)
    back = convert(there, *reversed(pair))
    assert abs(back - value) <= abs(value) * Decimal("1e-26")


@given(VALUES, RATIOS)
def test_an_answer_that_ends_is_exact(value, pair):
    exact = Fraction(value) * factor(*pair)
    got = Fraction(convert(value, *pair))
    assume(exact)
    assert got == exact or abs(got / exact - 1) < Fraction(1, 10**27)
    if got != exact:
        assert set(prime_factors(exact.denominator)) - {2, 5}, "a fraction over 2s and 5s ends"


def prime_factors(number: int) -> set[int]:
    """2, 5, and whatever is left when both are divided out."""
    found = set()
    for prime in (2, 5):
        while number % prime == 0:
            found.add(prime)
            number //= prime
    return found | ({number} if number > 1 else set())


@given(st.sampled_from(KNOWN), st.sampled_from(KNOWN))
def test_the_order_of_a_product_does_not_matter(a, b):
    one, other = f"{a[1]}.{b[1]}", f"{b[1]}.{a[1]}"
    assert dimension(one) == dimension(other)
    assert 1 == factor(one, other)


@pytest.mark.parametrize(
    "code",
    [
        "", " mm", "mm ", "MM", "inch", "in", "psi", "furlongue", "rad", "[pi]", "mm/", "/", "m//s", "m..s", "(m", "m)",
        "()", "m s", "kmin", "k[in_i]", "k", "{", "m{", "m}", "m2.", "m^2", "m99999", "m0", "0", "1e3", "-1", "10^0",
        "a/b", "Cel/min", "Cel2", "/Cel", "dB[SPL].m", "m" * 65, "1.5mm", "mm\n", "\u2103", "[in_i", "deg\u00b0",
        "\u0663", "k%", "\u00b5m",
    ],
)  # fmt: skip
def test_what_is_no_code_of_ours_is_unknown(code):
    with pytest.raises(UnknownUom):
        dimension(code)


@pytest.mark.parametrize(
    ("source", "target"),
    [("N.m", "bar"), ("circ", "1"), ("deg", "%"), ("dB[SPL]", "1"), ("dB[SPL]", "Pa"), ("Cel", "J"), ("h", "m")],
)
def test_another_kind_of_quantity_is_refused(source, target):
    with pytest.raises(WrongDimension):
        factor(source, target)
    with pytest.raises(WrongDimension):
        convert(Decimal(1), source, target)


@pytest.mark.parametrize("value", ["NaN", "Infinity", "-Infinity", "sNaN", "1e401", "1e-999999999", "1e999999999"])
def test_a_value_without_end_is_refused(value):
    with pytest.raises(ValueError):
        convert(Decimal(value), "mm", "m")


def test_a_dimension_is_a_key_and_reads_as_powers():
    assert {dimension("J"): "energy"}[dimension("N.m")] == "energy"
    assert ("m2.g.s-2", "1") == (str(dimension("J")), str(dimension("%")))


def test_every_atom_of_the_table_is_read():
    for code in [*uom._ATOMS, *uom.SCALES]:
        assert factor(code, code) == 1


def test_a_fraction_is_rounded_half_to_even_at_the_28th_digit():
    """1/3 by hand; 2/3 rounds up."""
    assert "0." + "3" * 28 == str(decimal_from(Fraction(1, 3)))
    assert "0." + "6" * 27 + "7" == str(decimal_from(Fraction(2, 3)))
