"""The register of figures: one function each, with a name and a bound; and what a run says of them."""

import statistics
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from tests.bench.running import Bench

PEERS = Path(__file__).parent / "peers"
PEER_FILES = ("apps.py", "common.py", "group.py", "s5_feed.py")


class NotJudged(Exception):
    """The figure cannot be taken on this machine; says why."""


@dataclass(frozen=True)
class Measured:
    """One figure of a run: a value for each round, how many rounds were void and repeated, and a note in words."""

    values: tuple[float, ...]
    void: int = 0
    note: str = ""

    @property
    def median(self) -> float:
        return statistics.median(self.values)


@dataclass(frozen=True)
class Figure:
    """A figure with the bound that it must keep.

    goal : its number among the goals of performance
    aim : a tighter bound on the same side
    demanded : whether the aim has to hold too
    judged : False for a figure that is printed beside its bound and fails nothing
    """

    name: str
    measure: "Callable[[Bench], Measured]"
    at_least: float | None = None
    at_most: float | None = None
    aim: float | None = None
    demanded: bool = False
    judged: bool = True
    goal: int | None = None

    @property
    def bound(self) -> tuple[str, float]:
        if self.at_least is not None:
            return "at_least", self.at_least
        if self.at_most is not None:
            return "at_most", self.at_most
        raise ValueError(f"{self.name} has no bound")

    def holds(self, value: float) -> bool:
        return self._keeps(value, self.bound[1])

    def reaches(self, value: float) -> bool:
        """Whether a value comes up to the aim; to the bound where there is none."""
        return self._keeps(value, self.bound[1] if self.aim is None else self.aim)

    def passes(self, value: float) -> bool:
        return self.reaches(value) if self.demanded else self.holds(value)

    def _keeps(self, value: float, bound: float) -> bool:
        return value >= bound if self.bound[0] == "at_least" else value <= bound

    def words(self) -> str:
        """`>= 0.75 (aim 0.95, demanded)`"""
        kind, bound = self.bound
        aim = "" if self.aim is None else f" (aim {self.aim:g}{', demanded' * self.demanded})"
        return f"{'>=' if kind == 'at_least' else '<='} {bound:g}{aim}"


FIGURES: dict[str, Figure] = {}


def figure(
    name: str,
    *,
    at_least: float | None = None,
    at_most: float | None = None,
    aim: float | None = None,
    demanded: bool = False,
    judged: bool = True,
    goal: int | None = None,
) -> "Callable[[Callable[[Bench], Measured]], Callable[[Bench], Measured]]":
    def register(measure: "Callable[[Bench], Measured]") -> "Callable[[Bench], Measured]":
        if name in FIGURES or (at_least is None) == (at_most is None):
            raise ValueError(f"{name}: a figure has a name of its own and one bound")
        if demanded and aim is None:
            raise ValueError(f"{name}: only an aim that is stated can be demanded")
        FIGURES[name] = Figure(name, measure, at_least, at_most, aim, demanded, judged, goal)
        return measure

    return register


def peer_digest() -> str:
    """SHA-256 over the peers' files one after another, as `cat apps.py common.py group.py s5_feed.py | sha256sum`."""
    return sha256(b"".join((PEERS / name).read_bytes() for name in PEER_FILES)).hexdigest()


@dataclass(frozen=True)
class Verdict:
    figure: Figure
    measured: Measured | None = None
    why_not: str = ""

    @property
    def failed(self) -> bool:
        found = self.measured
        return self.figure.judged and found is not None and not self.figure.passes(found.median)

    @property
    def word(self) -> str:
        """What the run says of it."""
        if self.measured is None:
            return f"NOT JUDGED: {self.why_not}"
        value = self.measured.median
        reached = "reaches its aim" if self.figure.aim is not None and self.figure.reaches(value) else "holds"
        said = reached if self.figure.holds(value) else "DOES NOT HOLD"
        if self.figure.demanded and said == "holds":
            said = "MISSES ITS AIM"
        return said if self.figure.judged else f"printed only ({said})"

    def value(self) -> str:
        """`0.97 (0.92..1.02)`: median, least and most of the rounds."""
        if self.measured is None:
            return "-"
        values = self.measured.values
        return f"{self.measured.median:.2f} ({min(values):.2f}..{max(values):.2f})"

    def line(self) -> str:
        goal, name, bound = self.figure.goal or "", self.figure.name, self.figure.words()
        said = f"{goal:>2} {name:<64} {bound:<28} {self.value():>22}  {self.word}"
        if self.measured is None:
            return said
        if self.measured.void:
            said += f"; {self.measured.void} void round(s) repeated"
        return said + (f"; {self.measured.note}" if self.measured.note else "")

    def row(self) -> str:
        """A row of the table in README."""
        return (
            f"| {self.figure.goal or ''} | {self.figure.name} | {self.figure.words()} | {self.value()} | {self.word} |"
        )

    def as_json(self) -> dict[str, Any]:
        kind, bound = self.figure.bound
        found = self.measured
        return {
            "ratio": None if found is None else found.median,
            "goal": self.figure.goal,
            kind: bound,
            "aim": self.figure.aim,
            "demanded": self.figure.demanded,
            "holds": None if found is None else self.figure.holds(found.median),
            "reaches": None if found is None else self.figure.reaches(found.median),
            "judged": self.figure.judged and found is not None,
            "spread": None if found is None else [min(found.values), max(found.values)],
            "rounds": 0 if found is None else len(found.values),
            "void": 0 if found is None else found.void,
            "note": self.why_not if found is None else found.note,
            "peer_digest": peer_digest(),
        }


def judge(figure: Figure, bench: "Bench") -> Verdict:
    try:
        return Verdict(figure, figure.measure(bench))
    except NotJudged as why:
        return Verdict(figure, why_not=str(why))


def as_json(verdicts: Iterable[Verdict]) -> dict[str, Any]:
    return {v.figure.name: v.as_json() for v in verdicts}


TABLE_HEAD = "| goal | figure | bound | median (least..most) | |\n|---|---|---|---|---|"


def as_table(verdicts: Iterable[Verdict]) -> str:
    """The markdown table of README."""
    return "\n".join([TABLE_HEAD, *(v.row() for v in verdicts)])
