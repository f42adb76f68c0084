"""Goals 13, 14 and 24: drawing every projection again, beside its own decoding and steps, in two processes, and beside
an event-sourcing library."""

import importlib.util
import subprocess
import sys

from tests.bench.figures import Measured, NotJudged, figure
from tests.bench.running import FED, ROOT, Bench, VoidRound, environment

COMPUTED = 800_000  # times of the computing job: about two seconds
SECOND_CORE = 1.5  # below it two processes do not get two cores
BATCHES = 100


@figure("redraw / its decoding and steps alone", goal=13, at_least=0.60, aim=0.80, demanded=True)
def redraw(bench: Bench) -> Measured:
    """Entries a second; both over the same book, one process each."""
    data = bench.copied
    return bench.ratios(lambda: 1 / _job("redraw", data, 1), lambda: 1 / _job("steps", data))


@figure("redraw in 2 processes / in 1, by what 2 cores give", goal=14, at_least=0.80, aim=0.90)
def two_processes(bench: Bench) -> Measured:
    """A round in which pure computing does not gain from a second process says nothing."""
    data = bench.copied

    def gained(job: str, what: object) -> float:
        return _job(job, what, 1) / _job(job, what, 2)

    def round_(_: int) -> tuple[float, float]:
        cores = gained("cpu", COMPUTED)
        if cores < SECOND_CORE:
            raise VoidRound(f"the second core is not there: computing gains {cores:.2f} from it")
        return gained("redraw", data), cores

    return bench.rounds_of(round_)


@figure("redraw / replay by `eventsourcing`", goal=24, at_least=1.3, aim=3.0, judged=False)
def replay(bench: Bench) -> Measured:
    """Entries a second: every projection of ours against a fold of two members."""
    _library()
    data, folder = bench.copied, bench.fresh("replay")
    return bench.ratios(lambda: FED / _job("redraw", data, 1), lambda: _job("replay", folder, FED))


@figure("recording in process, batches of 100 / aggregate save of 100", goal=24, at_least=0.5, aim=1.0)
def save(bench: Bench) -> Measured:
    _library()
    data, folder = bench.copy_of(bench.service), bench.fresh("save")
    return bench.ratios(lambda: _job("record", data, BATCHES), lambda: _job("save", folder, BATCHES))


def _library() -> None:
    if importlib.util.find_spec("eventsourcing") is None:
        raise NotJudged("eventsourcing is not installed: pip install '.[bench]'")


def _job(name: str, *arguments: object) -> float:
    command = [sys.executable, "-m", "tests.bench.jobs", name, *map(str, arguments)]
    done = subprocess.run(command, cwd=ROOT, env=environment(), capture_output=True, text=True)
    if done.returncode:
        raise RuntimeError(f"{name}: {done.stderr[-2000:]}")
    return float(done.stdout)
