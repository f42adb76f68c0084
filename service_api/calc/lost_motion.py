"""Lost motion of a screw, read at the crank: exact from turns to travel."""

from dataclasses import dataclass
from fractions import Fraction

from service_api.calc.refused import Refused

MM_PER_INCH = Fraction(254, 10)  # the international inch, exact


@dataclass(frozen=True, slots=True)
class Travel:
    mm: Fraction
    inch: Fraction


def turns_from_degrees(degrees: Fraction) -> Fraction:
    """Return the share of a full turn, exact."""
    return degrees / 360


def turns_from_divisions(divisions: Fraction, per_turn: Fraction) -> Fraction:
    """Return the share of a full turn read on a collar with `per_turn` divisions; Refused unless per_turn > 0."""
    if per_turn <= 0:
        raise Refused("not-positive", "a collar has more than no divisions")
    return divisions / per_turn


def lead_from_threads(threads_per_inch: Fraction, starts: int = 1) -> Fraction:
    """Return the lead in mm per turn: the pitch times the number of starts, exact.

    Raises Refused `not-positive` unless threads_per_inch > 0 and starts >= 1.
    """
    if threads_per_inch <= 0 or starts < 1:
        raise Refused("not-positive", "a screw has threads, and one start or more")
    return MM_PER_INCH * starts / threads_per_inch


def lost_motion(turns: Fraction, lead_mm: Fraction) -> Travel:
    """Return the travel that `turns` of a screw with a lead of `lead_mm` [mm per turn] stand for, exact.

    Raises Refused `not-positive` unless lead_mm > 0.
    """
    if lead_mm <= 0:
        raise Refused("not-positive", "a lead is above zero")
    return Travel(mm=turns * lead_mm, inch=turns * lead_mm / MM_PER_INCH)


def nut_clearance(turns: Fraction, lead_mm: Fraction, thrust_float_mm: Fraction) -> Travel:
    """Return what the nut has lost: the lost motion at the crank less the float of the screw in its thrust bearing.

    turns : read at the crank; thrust_float_mm : by push-pull at the screw, 0 or above
    Raises Refused: `not-positive`, `float-exceeds` (more float than lost motion: measure both again).
    Source: JOB.md 1.7, crank backlash = nut clearance + thrust float (common practice, no source).
    """
    if thrust_float_mm < 0:
        raise Refused("not-positive", "a float is 0 or above")
    whole = lost_motion(turns, lead_mm)
    if thrust_float_mm > whole.mm:
        raise Refused("float-exceeds", "the screw floats more than the crank loses")
    return Travel(mm=whole.mm - thrust_float_mm, inch=whole.inch - thrust_float_mm / MM_PER_INCH)
