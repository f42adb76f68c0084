"""Readings over the days on one small drawing: points, the limits that they are held against, changes of the part.

Shape and dash carry the meaning, so that it reads without colour: a dot was found so, a ring was left so.
"""

from collections.abc import Callable, Sequence
from datetime import date
from itertools import pairwise
from math import floor, log10
from typing import NamedTuple

from service_api.paper.layout import ALARM, DEEP, HAIR, INK, LEFT, QUIET, ROOM, Paper

HEIGHT, GUTTER = 118.0, 40.0  # points: of the field, and of the figures beside it
Scale = Callable[[float], float]  # a day or a value to its place on the page


class Dot(NamedTuple):
    """A reading: its local day as a number, its value, and whether it was as left after work."""

    day: float
    value: float
    left: bool
    part: str | None


class Level(NamedTuple):
    """A line across: a limit with its name."""

    value: float
    words: str
    dash: tuple[float, ...]


def day_number(moment: str) -> float:
    """The day of an RFC 3339 moment, with its time as a fraction."""
    hours, minutes = int(moment[11:13]), int(moment[14:16])
    return date.fromisoformat(moment[:10]).toordinal() + (hours + minutes / 60) / 24


def draw(paper: Paper, dots: Sequence[Dot], levels: Sequence[Level], unit: str) -> None:
    """Where the pen is, over the whole width. dots : two or more, in order"""
    paper.need(HEIGHT + 24)
    top = paper.y - 12
    floor_ = top - HEIGHT
    left, right = LEFT + GUTTER, LEFT + ROOM - 62
    values = [d.value for d in dots] + [level.value for level in levels]
    low, high, step = scale(min(values), max(values))
    first, last = dots[0].day, max(dots[-1].day, dots[0].day + 1)

    def x(day: float) -> float:
        return left + (day - first) / (last - first) * (right - left)

    def y(value: float) -> float:
        return floor_ + (value - low) / (high - low) * HEIGHT

    _grid(paper, (low, high, step), y, (left, right), unit)
    for level in levels:
        paper.rule(y(level.value), 0.8, ALARM if not level.dash else QUIET, left, right, level.dash)
    _names(paper, levels, y, right)
    _parts(paper, dots, x, floor_, top)
    _curve(paper, dots, x, y)
    for at in (first, last):
        words = date.fromordinal(int(at)).isoformat()
        paper.write(min(x(at) - 20, right - 40) if at == last else left, floor_ - 10, words, "quiet", 7)
    paper.y = floor_ - 18


def scale(low: float, high: float) -> tuple[float, float, float]:
    """Round ends and a round step, about five steps apart: 1, 2 or 5 times a power of ten."""
    if high <= low:
        low, high = low - (abs(low) or 1) / 10, high + (abs(high) or 1) / 10
    rough = (high - low) / 5
    power = 10 ** floor(log10(rough))
    step = next(m * power for m in (1, 2, 5, 10) if m * power >= rough)
    bottom = floor(low / step) * step
    top = bottom
    while top < high - step * 1e-9:
        top += step
    return bottom, top, step


def _grid(
    paper: Paper,
    ends: tuple[float, float, float],
    y: Scale,
    sides: tuple[float, float],
    unit: str,
) -> None:
    low, high, step = ends
    left, right = sides
    digits = max(0, -floor(log10(step) + 1e-9))
    count = round((high - low) / step)
    for number in range(count + 1):
        value = low + number * step
        paper.rule(y(value), 0.25, HAIR, left, right)
        paper.write_right(left - 4, y(value) - 2.5, f"{value:.{digits}f}", "quiet", 7)
    paper.write(LEFT, y(high) + 5, unit, "quiet", 7)


def _names(paper: Paper, levels: Sequence[Level], y: Scale, right: float) -> None:
    """The lines' names beside them, moved apart where they would lie on one another."""
    at = float("inf")
    for level in sorted(levels, key=lambda found: -found.value):
        at = min(y(level.value) - 2.5, at - 8)
        paper.write(right + 4, at, level.words, "quiet", 7)


def _parts(paper: Paper, dots: Sequence[Dot], x: Scale, floor_: float, top: float) -> None:
    for before, after in pairwise(dots):
        if before.part != after.part:
            at = x((before.day + after.day) / 2)
            paper.canvas.setStrokeColorRGB(*DEEP)
            paper.canvas.setLineWidth(0.6)
            paper.canvas.setDash([1.5, 2])
            paper.canvas.line(at, floor_, at, top)
            if at - x(dots[0].day) < 40:  # beside the line, on the side where there is room
                paper.write(at + 2, top - 6, "changed", "quiet", 6.5)
            else:
                paper.write_right(at - 2, top - 6, "changed", "quiet", 6.5)


def _curve(paper: Paper, dots: Sequence[Dot], x: Scale, y: Scale) -> None:
    canvas = paper.canvas
    canvas.setDash([])
    canvas.setLineWidth(0.7)
    canvas.setStrokeColorRGB(*INK)
    path = canvas.beginPath()
    for number, dot in enumerate(dots):
        apart = number == 0 or dots[number - 1].part != dot.part
        (path.moveTo if apart else path.lineTo)(x(dot.day), y(dot.value))
    canvas.drawPath(path, stroke=1, fill=0)
    for dot in dots:
        canvas.setFillColorRGB(*((1, 1, 1) if dot.left else INK))
        canvas.circle(x(dot.day), y(dot.value), 1.9, stroke=1, fill=1)
