"""Lost motion of a screw, read at the crank: exact from turns to travel."""

from dataclasses import dataclass
from fractions import Fraction

MM_PER_INCH = Fraction(254, 10)  # the international inch, exact


@dataclass(frozen=True, slots=True)
class Travel:
    mm: Fraction
    inch: Fraction


def turns_from_degrees(degrees: Fraction) -> Fraction:
    """Return the share of a full turn, exact."""
    return degrees / 360


def turns_from_divisions(divisions: Fraction, per_turn: Fraction) -> Fraction:
    """Return the share of a full turn read on a collar with `per_turn` divisions; ValueError unless per_turn > 0."""
    if per_turn <= 0:
        raise ValueError("a collar has more than no divisions")
    return divisions / per_turn


def lead_from_threads(threads_per_inch: Fraction, starts: int = 1) -> Fraction:
    """Return the lead in mm per turn: the pitch times the number of starts, exact.

    Raises ValueError unless threads_per_inch > 0 and starts >= 1.
    """
    if threads_per_inch <= 0 or starts < 1:
        raise ValueError("a screw has threads, and one start or more")
    return MM_PER_INCH * starts / threads_per_inch


def lost_motion(turns: Fraction, lead_mm: Fraction) -> Travel:
    """Return the travel that `turns` of a screw with a lead of `lead_mm` [mm per turn] stand for, exact.

    Raises ValueError unless lead_mm > 0.
    """
    if lead_mm <= 0:
        raise ValueError("a lead is above zero")
    return Travel(mm=turns * lead_mm, inch=turns * lead_mm / MM_PER_INCH)
