"""Units of measure in UCUM (case-sensitive codes), as exact rational factors.

Source: The Unified Code for Units of Measure, version 2.2, its grammar (section 2.2) and its table `ucum-essence.xml`,
from which every definition below is taken. Two departures, both because a factor here is exact:
- The base unit of plane angle is the full turn `circ`, not `rad`: a turn is 2 pi radians, and pi is no ratio of whole
  numbers. `deg`, `'`, `''` and `gon` are exact shares of a turn; `rad`, `sr` and `[pi]` are unknown here.
- The logarithmic level `B[SPL]` (so `dB[SPL]`) is a kind of its own: it converts between its own prefixes only.
Left out as well: units whose table value was measured, not defined (`mol`, `eV`, `u`), and kinds no workshop needs.
Annotations in braces mean nothing to the arithmetic: `{rev}/min` is `/min`, `mm/{rev}` is `mm`, `{count}` is 1.
"""

import re
from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Context, Decimal
from fractions import Fraction
from functools import lru_cache

DIGITS = 28  # of an answer that never ends
LONGEST = 64  # characters of a code: longer ones are mistakes
MAX_EXPONENT = 30  # both limits keep a hostile code from asking for endless arithmetic
MAX_MAGNITUDE = 400  # powers of ten of a value


class UnknownUom(ValueError):
    """The code is not UCUM, or stands outside the table kept here."""


class WrongDimension(ValueError):
    """The two codes measure different kinds of quantity."""


@dataclass(frozen=True, slots=True)
class Dimension:
    """A kind of quantity: base units and their powers, in a fixed order. Equal kinds are equal and hash alike."""

    powers: tuple[tuple[str, int], ...]

    def __str__(self) -> str:
        return ".".join(base if power == 1 else f"{base}{power}" for base, power in self.powers) or "1"


@dataclass(frozen=True, slots=True)
class Measure:
    """What a code stands for: value [base] = value * factor + zero; only a temperature scale has a zero."""

    dimension: Dimension
    factor: Fraction
    zero: Fraction = Fraction(0)
    special: bool = False


BASES = ("m", "g", "s", "circ", "K", "C", "B[SPL]")

PREFIXES = {
    "Y": 24, "Z": 21, "E": 18, "P": 15, "T": 12, "G": 9, "M": 6, "k": 3, "h": 2, "da": 1,
    "d": -1, "c": -2, "m": -3, "u": -6, "n": -9, "p": -12, "f": -15, "a": -18, "z": -21, "y": -24,
}  # fmt: skip

# Atoms that take a prefix: code, value, in. The bases stand first.
METRIC = """
    m 1 . | g 1 . | s 1 . | K 1 . | C 1 . | B[SPL] 1 .
    Hz 1 s-1 | N 1 kg.m/s2 | Pa 1 N/m2 | J 1 N.m | W 1 J/s | A 1 C/s | V 1 J/C | F 1 C/V | Ohm 1 V/A | S 1 Ohm-1
    Wb 1 V.s | T 1 Wb/m2 | H 1 Wb/A | l 1 dm3 | L 1 l | ar 100 m2 | t 1e3 kg | bar 1e5 Pa | dyn 1 g.cm/s2
    erg 1 dyn.cm | P 1 dyn.s/cm2 | St 1 cm2/s | G 1e-4 T | gf 1 g.[g] | cal_th 4.184 J | cal 1 cal_th
    m[H2O] 9.80665 kPa | m[Hg] 133.3220 kPa | bit 1 1 | By 8 bit
"""

# Atoms that do not.
PLAIN = """
    circ 1 . | 10* 10 1 | 10^ 10 1 | % 1 10*-2 | [ppth] 1 10*-3 | [ppm] 1 10*-6 | [ppb] 1 10*-9
    deg 1 circ/360 | ' 1 deg/60 | '' 1 '/60 | gon 0.9 deg
    min 60 s | h 60 min | d 24 h | wk 7 d | a_j 365.25 d | a 1 a_j | a_g 365.2425 d | mo_j 1 a_j/12 | mo 1 mo_j
    mo_g 1 a_g/12 | [g] 9.80665 m/s2 | atm 101325 Pa | att 1 kgf/cm2 | [degR] 5 K/9
    [in_i] 2.54 cm | [ft_i] 12 [in_i] | [yd_i] 3 [ft_i] | [mi_i] 5280 [ft_i] | [mil_i] 1e-3 [in_i] | [nmi_i] 1852 m
    [kn_i] 1 [nmi_i]/h | [sin_i] 1 [in_i]2 | [sft_i] 1 [ft_i]2 | [cin_i] 1 [in_i]3 | [cft_i] 1 [ft_i]3
    [gal_us] 231 [in_i]3 | [qt_us] 1 [gal_us]/4 | [pt_us] 1 [qt_us]/2 | [foz_us] 1 [pt_us]/16
    [gal_br] 4.54609 l | [gr] 64.79891 mg | [lb_av] 7000 [gr] | [oz_av] 1 [lb_av]/16 | [dr_av] 1 [oz_av]/16
    [ston_av] 20 [scwt_av] | [scwt_av] 100 [lb_av] | [lton_av] 20 [lcwt_av] | [lcwt_av] 112 [lb_av]
    [lbf_av] 1 [lb_av].[g] | [psi] 1 [lbf_av]/[in_i]2 | [HP] 550 [ft_i].[lbf_av]/s | [Btu_th] 1.05435 kJ
    [Btu] 1 [Btu_th] | [in_i'H2O] 1 m[H2O].[in_i]/m | [in_i'Hg] 1 m[Hg].[in_i]/m
"""

# Temperature scales: one degree, in; and the scale's zero in K. UCUM: cel(1 K), degf(5 K/9).
SCALES = {
    "Cel": ("1", "K", Fraction("273.15")),
    "[degF]": ("5", "K/9", Fraction("459.67") * Fraction(5, 9)),
}


def _rows(table: str) -> dict[str, tuple[str, str]]:
    cells = [row.split() for line in table.strip().splitlines() for row in line.split("|")]
    return {code: (value, of) for code, value, of in cells}


_METRIC = _rows(METRIC)
_ATOMS = _METRIC | _rows(PLAIN)
_SPECIAL = {*SCALES, "B[SPL]"}  # on no ratio scale: they stand alone (UCUM, section 21)
_MAY_TAKE_PREFIX = {*_METRIC, "Cel"}

# An atom ends where its exponent begins; `10*` and `10^` begin with digits, and a name in brackets may hold any.
_TOKEN = re.compile(
    r"(?P<annotation>\{[!-z|~]*\})|(?P<mark>[./()])"
    r"|(?P<atom>(?:10[*^]|(?:[!-'*,:-Z\\^-z|~]|\[[!-Z\\^-~]+\])+))(?P<exponent>[+-]?[0-9]+)?|(?P<number>[0-9]+)"
)


def dimension(code: str) -> Dimension:
    """Return the kind of quantity that `code` measures. Raises UnknownUom."""
    return _measure(code).dimension


def factor(source: str, target: str) -> Fraction:
    """Return the exact number of `target` in one `source`.

    Between temperature scales this is the size of a degree, so it suits differences, slopes and uncertainties;
    `convert` moves the zero too. Raises UnknownUom, WrongDimension.
    """
    return _path(source, target)[0]


def convert(value: Decimal, source: str, target: str) -> Decimal:
    """Return the same quantity in `target`.

    value : finite, below 1e400. For `Cel` and `[degF]` a point on the scale, not a difference (20 Cel is 293.15 K; for
    a difference multiply by `factor`, or write it in K).
    Exact when its decimals end; else 28 significant digits, half to even. With nothing to convert the value comes back
    digit for digit. Raises UnknownUom, WrongDimension, ValueError for a value that is not finite or out of range.
    """
    ratio, shift = _path(source, target)
    if not value.is_finite() or (value and abs(value.adjusted()) > MAX_MAGNITUDE):
        raise ValueError(f"{value} is no number to convert")
    if source == target or (ratio == 1 and not shift):
        return value
    return decimal_from(Fraction(value) * ratio + shift)


def decimal_from(number: Fraction) -> Decimal:
    """Return `number` exact when its decimals end, without trailing zeros; else 28 significant digits, half to even."""
    twos, rest = _divide_out(number.denominator, 2)
    fives, rest = _divide_out(rest, 5)
    if rest == 1:
        places = max(twos, fives)
        return Decimal(f"{number.numerator * 10**places // number.denominator}E-{places}")
    context = Context(prec=DIGITS, rounding=ROUND_HALF_EVEN)
    return context.divide(Decimal(number.numerator), Decimal(number.denominator))


def _divide_out(number: int, prime: int) -> tuple[int, int]:
    times = 0
    while number % prime == 0:
        number, times = number // prime, times + 1
    return times, number


@lru_cache(maxsize=4096)
def _path(source: str, target: str) -> tuple[Fraction, Fraction]:
    """(ratio, shift): a value in `source` times ratio, plus shift, is the value in `target`."""
    have, want = _measure(source), _measure(target)
    if have.dimension != want.dimension:
        raise WrongDimension(f"{source!r} measures {have.dimension}, {target!r} measures {want.dimension}")
    return have.factor / want.factor, (have.zero - want.zero) / want.factor


@lru_cache(maxsize=4096)
def _measure(code: str) -> Measure:
    """Parse a whole code: term, or `/` term. Raises UnknownUom."""
    if not 0 < len(code) <= LONGEST:
        raise UnknownUom(f"a code has 1 to {LONGEST} characters")
    tokens: list[re.Match[str]] = []
    place = 0
    while place < len(code):
        match = _TOKEN.match(code, place)
        if match is None:
            raise UnknownUom(f"{code!r} is no UCUM code at character {place + 1}")
        tokens.append(match)
        place = match.end()
    tokens.reverse()
    whole = _term(code, tokens, leading_slash=True)
    if tokens:
        raise UnknownUom(f"{code!r} is no UCUM code: {tokens[-1].group()!r} stands in the wrong place")
    return whole


def _term(code: str, tokens: list[re.Match[str]], *, leading_slash: bool = False) -> Measure:
    """Components joined by `.` and `/`, worked from left to right: a/b.c is (a/b).c."""
    if leading_slash and tokens and tokens[-1].group() == "/":
        tokens.pop()
        whole = _times(code, _ONE, _component(code, tokens), -1)
    else:
        whole = _component(code, tokens)
    while tokens and tokens[-1].group() in (".", "/"):
        sign = 1 if tokens.pop().group() == "." else -1
        whole = _times(code, whole, _component(code, tokens), sign)
    return whole


def _component(code: str, tokens: list[re.Match[str]]) -> Measure:
    """An annotation, a whole number, a term in brackets, or an atom with its exponent and annotation."""
    if not tokens:
        raise UnknownUom(f"{code!r} ends too soon")
    token = tokens.pop()
    if token["annotation"]:
        return _ONE
    if token["number"]:
        if int(token["number"]) == 0:
            raise UnknownUom(f"{code!r} counts in nothing")
        return Measure(_NUMBER, Fraction(int(token["number"])))
    if token.group() == "(":
        inner = _term(code, tokens)
        if not tokens or tokens.pop().group() != ")":
            raise UnknownUom(f"{code!r} leaves a bracket open")
        return inner
    if not token["atom"]:
        raise UnknownUom(f"{code!r} is no UCUM code: {token.group()!r} stands in the wrong place")
    if tokens and tokens[-1]["annotation"]:
        tokens.pop()
    simple = _simple_unit(token["atom"])
    if token["exponent"] is None:
        return simple
    exponent = int(token["exponent"])
    if not 0 < abs(exponent) <= MAX_EXPONENT:
        raise UnknownUom(f"{code!r}: an exponent lies between 1 and {MAX_EXPONENT}, or below zero likewise")
    return _times(code, _ONE, simple, exponent)


def _times(code: str, whole: Measure, part: Measure, exponent: int) -> Measure:
    if whole.special or part.special:
        # 20 Cel/min or 3 dB.m have no meaning that a factor could carry; a rise is written in K.
        raise UnknownUom(f"{code!r}: a temperature scale or a level stands alone")
    powers = dict(whole.dimension.powers)
    for base, power in part.dimension.powers:
        powers[base] = powers.get(base, 0) + power * exponent
    kept = tuple((base, powers[base]) for base in BASES if powers.get(base))
    return Measure(Dimension(kept), whole.factor * part.factor**exponent)


def _simple_unit(name: str) -> Measure:
    """An atom as it stands, else a prefix and an atom that takes one: `cd` and `Pa` are not looked into."""
    if name in _ATOMS or name in SCALES:
        return _atom(name)
    for length in (1, 2):
        power, rest = PREFIXES.get(name[:length]), name[length:]
        if power is not None and rest in _MAY_TAKE_PREFIX:
            atom = _atom(rest)
            return Measure(atom.dimension, atom.factor * Fraction(10) ** power, atom.zero, atom.special)
    raise UnknownUom(f"{name!r} is no UCUM unit known here")


@lru_cache(maxsize=256)
def _atom(name: str) -> Measure:
    if name in BASES:
        return Measure(Dimension(((name, 1),)), Fraction(1), special=name in _SPECIAL)
    value, of, zero = SCALES[name] if name in SCALES else (*_ATOMS[name], Fraction(0))
    meant = _measure(of)
    return Measure(meant.dimension, Fraction(value) * meant.factor, zero, name in _SPECIAL)


_NUMBER = Dimension(())
_ONE = Measure(_NUMBER, Fraction(1))
