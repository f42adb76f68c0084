"""Conformity of a measured value with its limits (JOB.md 1.8, CONTRACT C, Outcome).

Simple acceptance compares the value itself; guarded acceptance takes the expanded uncertainty U (k = 2) off the
limit, so that the proof is with whoever lets the unit go (the rule of ISO 14253-1, read second-hand).
"""

from collections.abc import Sequence
from decimal import Decimal
from typing import Literal, NamedTuple

Outcome = Literal["good", "watch", "adjust", "not_proved", "replace", "undecided"]
ORDER: tuple[Outcome, ...] = ("replace", "not_proved", "watch", "adjust", "good")


class Verdict(NamedTuple):
    """The outcome, every lesser mark that is passed (greatest first), and the acting limit."""

    outcome: Outcome
    also: tuple[Outcome, ...]
    acting: Decimal | None


def formed(values: Sequence[Decimal], form: Literal["max", "min", "mean", "range"]) -> Decimal:
    """One value from several readings. Raises ValueError without any."""
    if not values:
        raise ValueError("nothing to form a value from")
    match form:
        case "max":
            return max(values)
        case "min":
            return min(values)
        case "range":
            return max(values) - min(values)
        case "mean":
            return sum(values, Decimal(0)) / len(values)


def acting_limit(replace: Decimal, u: Decimal, worse: Literal["higher", "lower"]) -> Decimal:
    """The limit after the guard band: 0.33 - 0.02 = 0.31 when higher is worse."""
    return replace - u if worse == "higher" else replace + u


def against_limit(
    value: Decimal,
    worse: Literal["higher", "lower"],
    replace: Decimal | None = None,
    watch: Decimal | None = None,
    adjust: Decimal | None = None,
    u: Decimal | None = None,
    guarded: bool = False,
) -> Verdict:
    """Judge a value that is worse the higher (or lower) it is. Exactly at a mark is not past it.

    Watch and adjust are never guarded. A guarded limit without U decides nothing, nor does a row without any mark.
    """
    if replace is None and watch is None and adjust is None:
        return Verdict("undecided", (), None)
    if guarded and replace is not None and u is None:
        return Verdict("undecided", (), None)
    acting = replace if replace is None or not guarded or u is None else acting_limit(replace, u, worse)

    def past(mark: Decimal | None) -> bool:
        return mark is not None and (value > mark if worse == "higher" else value < mark)

    passed: list[Outcome] = []
    if past(replace):
        passed.append("replace")
    if guarded and past(acting):
        passed.append("not_proved")
    if past(watch):
        passed.append("watch")
    if past(adjust):
        passed.append("adjust")
    outcome: Outcome = passed[0] if passed else "good"
    return Verdict(outcome, tuple(passed[1:]), acting)


class Window(NamedTuple):
    low: Decimal | None
    high: Decimal | None


def against_window(
    value: Decimal, low: Decimal | None, high: Decimal | None, u: Decimal | None = None, guarded: bool = False
) -> tuple[Outcome, Window]:
    """Judge a value that belongs inside a window, and give the acting window. The edges belong to it.

    Outside is `adjust`; guarded and inside by less than U is `not_proved`.
    """
    if (low is None and high is None) or (guarded and u is None):
        return "undecided", Window(None, None)
    band = u if guarded and u is not None else Decimal(0)
    acting = Window(None if low is None else low + band, None if high is None else high - band)
    if (low is not None and value < low) or (high is not None and value > high):
        return "adjust", acting
    if (acting.low is not None and value < acting.low) or (acting.high is not None and value > acting.high):
        return "not_proved", acting
    return "good", acting
