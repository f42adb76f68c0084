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
PEER_FILES = ("apps.py", "common.py", "group.py")


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
    """`judged` is False for a figure that is printed beside its goal and fails nothing yet."""

    name: str
    measure: "Callable[[Bench], Measured]"
    at_least: float | None = None
    at_most: float | None = None
    judged: bool = True

    @property
    def bound(self) -> tuple[str, float]:
        if self.at_least is not None:
            return "at_least", self.at_least
        if self.at_most is not None:
            return "at_most", self.at_most
        raise ValueError(f"{self.name} has no bound")

    def holds(self, value: float) -> bool:
        kind, bound = self.bound
        return value >= bound if kind == "at_least" else value <= bound


FIGURES: dict[str, Figure] = {}


def figure(
    name: str, *, at_least: float | None = None, at_most: float | None = None, judged: bool = True
) -> "Callable[[Callable[[Bench], Measured]], Callable[[Bench], Measured]]":
    def register(measure: "Callable[[Bench], Measured]") -> "Callable[[Bench], Measured]":
        if name in FIGURES or (at_least is None) == (at_most is None):
            raise ValueError(f"{name}: a figure has a name of its own and one bound")
        FIGURES[name] = Figure(name, measure, at_least, at_most, judged)
        return measure

    return register


def peer_digest() -> str:
    """SHA-256 over the peers' files one after another, as `cat apps.py common.py group.py | sha256sum` says it."""
    return sha256(b"".join((PEERS / name).read_bytes() for name in PEER_FILES)).hexdigest()


@dataclass(frozen=True)
class Verdict:
    figure: Figure
    measured: Measured | None = None
    why_not: str = ""

    @property
    def failed(self) -> bool:
        return self.figure.judged and self.measured is not None and not self.figure.holds(self.measured.median)

    def line(self) -> str:
        kind, bound = self.figure.bound
        said = f"{self.figure.name:<62} {kind.replace('_', ' ')} {bound:<5g}"
        if self.measured is None:
            return f"{said} NOT JUDGED: {self.why_not}"
        holds = self.figure.holds(self.measured.median)
        word = ("holds" if holds else "DOES NOT HOLD") if self.figure.judged else f"not judged ({holds=})"
        values = self.measured.values
        said += f" {self.measured.median:8.2f} ({min(values):.2f}..{max(values):.2f})  {word}"
        if self.measured.void:
            said += f"; {self.measured.void} void round(s) repeated: the disk stalled"
        return said + (f"; {self.measured.note}" if self.measured.note else "")

    def as_json(self) -> dict[str, Any]:
        kind, bound = self.figure.bound
        found = self.measured
        return {
            "ratio": None if found is None else found.median,
            kind: bound,
            "holds": None if found is None else self.figure.holds(found.median),
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
