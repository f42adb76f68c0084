"""What numbers are turned away, and why: every calculation here refuses with a reason, never with NaN."""

from collections.abc import Sized
from fractions import Fraction


class Refused(ValueError):
    """These numbers have no answer; `reason` is a slug that says why."""

    def __init__(self, reason: str, detail: str) -> None:
        super().__init__(detail)
        self.reason = reason


def need_finite(*values: float) -> None:
    """Raise Refused `not-finite` unless all are finite numbers; the bound keeps every square inside a double."""
    # a NaN fails the comparison too
    if any(isinstance(v, bool) or not isinstance(v, (int, float)) or not abs(v) <= 1e150 for v in values):
        raise Refused("not-finite", "every value is a finite number of at most 1e150")


def need_positive(**values: float) -> None:
    """Raise Refused `not-finite` or `not-positive`, naming the value, unless all are finite and above zero."""
    for name, value in values.items():
        need_finite(value)
        if value <= 0:
            raise Refused("not-positive", f"{name.replace('_', ' ')} is above zero, not {value}")


def need_whole(least: int, **values: int) -> None:
    """Raise Refused `not-whole`, naming the value, unless all are whole numbers of `least` or more."""
    for name, value in values.items():
        if isinstance(value, bool) or not isinstance(value, int) or value < least:
            raise Refused("not-whole", f"{name.replace('_', ' ')} is a whole number of {least} or more, not {value!r}")


def need_level(level: float, what: str = "a level") -> None:
    """Raise Refused `bad-level` unless 0 < level < 1."""
    need_finite(level)
    if not 0 < level < 1:
        raise Refused("bad-level", f"{what} lies between 0 and 1")


def need_some(values: Sized, what: str) -> None:
    """Raise Refused `no-data` when there are none."""
    if not len(values):
        raise Refused("no-data", f"need at least one {what}")


def as_written(value: float) -> Fraction:
    """The decimal that was written, exact: the shortest one that reads back as this double. Raises Refused."""
    need_finite(value)
    return Fraction(repr(value))
