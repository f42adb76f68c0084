"""The long form of every reliability goal: what it does so many times, and the figure that it comes to."""

import os
import random
import re
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from typing import TypeVar

from tests import postgres
from tests.faults import calls, full_disk, guessing, harness, offline, order, power, simulation, streaming, traced

ROOT = Path(__file__).parents[2]
STORES = ("sqlite", "postgresql")
FRESH = 25  # kills on one store, so that checking a round does not take ever longer
LEVELS = 10  # of a full disk, on one store
FILLS_THE_CACHE = 500_000  # entries, of which a fifth fill the cache that SQLite is allowed
PART = 2500  # images of one recording


Part, Result = TypeVar("Part"), TypeVar("Result")


class NotJudged(RuntimeError):
    """This machine cannot do it; the words say what is missing."""


@dataclass(frozen=True)
class Run:
    """folder : empty, for this run; count : how many of what the goal counts; seed : the same makes the same run"""

    folder: Path
    count: int
    seed: int
    store: str


@dataclass
class Figure:
    """words : what was done, with its numbers; faults : everything that broke the promise"""

    words: str
    faults: list[str]


@dataclass(frozen=True)
class Goal:
    """slice : the count of a run before a release; stores : on which it is run"""

    run: Callable[[Run], Figure]
    slice: int
    stores: tuple[str, ...] = ("sqlite",)


@contextmanager
def ground(run: Run, name: str = "one") -> Iterator[harness.Ground]:
    """A fresh store of the kind that the run is on."""
    place = run.folder / name
    place.mkdir()
    with ExitStack() as stack:
        url = None
        if run.store == "postgresql":
            url = stack.enter_context(postgres.database(stack.enter_context(server()), f"goal_{name}"))
        yield stack.enter_context(harness.ground(place, url))


@contextmanager
def server() -> Iterator[str]:
    """A throw-away database server."""
    found = postgres.programs()
    if found is None:
        raise NotJudged("no PostgreSQL (initdb, postgres)")
    with postgres.throw_away(found) as url:
        yield url


def _strace() -> None:
    if traced.strace() is None:
        raise NotJudged("no strace that may trace a process of its own")


def kills(run: Run) -> Figure:
    dice, found, acked, done = random.Random(run.seed), list[str](), 0, 0
    while done < run.count:
        part, last = min(FRESH, run.count - done), 0
        with ground(run, str(done)) as on:
            for each in harness.kills(on, part, dice.getrandbits(32)):
                name = done + each.number if each.number else "end"
                print(
                    f"{name:>5} {each.after:5.3f} s {each.entries:7} {acked + each.acked:8}",
                    file=sys.stderr,
                    flush=True,
                )
                for words in each.faults:
                    print(f"{name:>5} {words}", file=sys.stderr, flush=True)
                found += [f"kill {name}: {words}" for words in each.faults]
                last = each.acked
        acked, done = acked + last, done + part
    return Figure(f"{done} kills, {acked} entries acknowledged", found)


def calls_killed(run: Run) -> Figure:
    _strace()
    append = calls.kill_at_each_call(_made(run, "append"), None)
    migration = calls.kill_a_migration(_made(run, "migration"), None)
    return Figure(
        f"killed at {append.done} calls of appends and a checkpoint, at {migration.done} of migrations",
        append.faults + migration.faults,
    )


def power_cut(run: Run) -> Figure:
    _strace()
    parts = [(n, min(PART, run.count - n)) for n in range(0, run.count, PART)]
    found = list(_spread(partial(_power_part, str(run.folder), run.seed), parts))
    images, lost = sum(f.images for f in found), sum(f.lost for f in found)
    words = f"{images} disks after a power cut, {lost} had lost an acknowledged entry"
    return Figure(words, [words for f in found for words in f.faults])


def _power_part(folder: str, seed: int, part: tuple[int, int]) -> power.Outlived:
    first, number = part
    place = Path(folder) / str(first)
    place.mkdir()
    return power.outlive(place, number, seed + first)


def disk_errors(run: Run) -> Figure:
    _strace()
    found = calls.fail_at_each(run.folder, run.count)
    told = ", ".join(f"{n} times {words}" for words, n in found.told.items())
    return Figure(f"an error at each of the first {run.count} writes and syncs, told: {told}", found.faults)


def full(run: Run) -> Figure:
    told = []
    try:
        with ExitStack() as stack:
            url = stack.enter_context(server()) if run.store == "postgresql" else None
            for first in range(0, run.count, LEVELS):
                levels = range(first, min(first + LEVELS, run.count))
                told += _levels(run.folder / str(first), levels, url)
    except full_disk.NoDisk as error:
        raise NotJudged(str(error)) from error
    except AssertionError as error:
        return Figure(f"stopped after {len(told)} levels", [str(error) or "a promise was not kept"])
    wrong = [f"{t}" for t in told if t != (507, "disk-full")]
    return Figure(f"{len(told)} levels of a full disk, each told 507", wrong)


def _levels(place: Path, levels: range, url: str | None) -> list[tuple[int, str]]:
    place.mkdir()
    if url is None:
        with full_disk.disk(place / "disk", 4 * full_disk.DISK) as folder, full_disk.shop_on(folder) as shop:
            shop.pragma("wal_autocheckpoint=8")
            return full_disk.filled(shop, folder, levels, full_disk.BLOCK)
    with full_disk.server_disk(url) as (folder, database), full_disk.shop_on(place, database) as shop:
        return full_disk.filled(shop, folder, levels, full_disk.BLOCK)


def properties(words: str, run: Run) -> Figure:
    """The properties, each with so many examples."""
    command = [
        sys.executable,
        "-m",
        "pytest",
        "-q",
        "-p",
        "no:cacheprovider",
        "--durations=0",
        f"--examples={run.count}",
    ]
    command += ["-k", words] if words else ["-m", "hypothesis"]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True)
    last = done.stdout.strip().splitlines()[-1]
    failed = re.findall(r"^FAILED (.*)$", done.stdout, re.MULTILINE)
    return Figure(f"{run.count} examples each: {last}", failed or ([last] if done.returncode else []))


def repeats(run: Run) -> Figure:
    with ground(run) as on:
        found = order.repeated(on, run.count, 50, run.seed, restarts=5)
    return Figure(f"{run.count} entries, each sent 1 to 50 times over 3 connections, 5 restarts", found)


def hot_keys(run: Run) -> Figure:
    with ground(run) as on:
        found = order.hot_keys(on, run.count, run.seed)
    told = ", ".join(f"{n} × {status}" for status, n in sorted(found.statuses.items()))
    return Figure(f"{order.CROWD} clients on {run.count} keys: {told}; 99 % within {found.slowest:.2f} s", found.faults)


def crowd(run: Run) -> Figure:
    with ground(run) as on:
        found, acked = order.crowd(on, run.count, run.seed, seconds=3600)
    return Figure(f"{acked} entries of {order.WRITERS} writers in one order, {order.READERS} pulled them all", found)


def lives(run: Run) -> Figure:
    return _from_seeds(run, _lives, "lives of a shop, each lived twice")


def pairs(run: Run) -> Figure:
    return _from_seeds(run, _pairs, "pairs of benches that were offline, each in 3 orders of arrival")


def _from_seeds(run: Run, live: Callable[[str, range], list[str]], words: str) -> Figure:
    cores = os.cpu_count() or 1
    parts = [range(n, min(n + 50, run.count)) for n in range(0, run.count, 50)]
    found = _spread(partial(live, str(run.folder)), parts)
    return Figure(f"{run.count} {words}, on {cores} cores", [w for part in found for w in part])


def _lives(folder: str, seeds: range) -> list[str]:
    place = Path(folder) / str(seeds.start)
    place.mkdir()
    begins = simulation.beginning(place / "beginning")
    return [words for seed in seeds for words in simulation.simulate(begins, place, seed)]


def _pairs(folder: str, seeds: range) -> list[str]:
    place = Path(folder) / str(seeds.start)
    place.mkdir()
    begins = simulation.beginning(place / "beginning")
    return [words for seed in seeds for words in offline.merge(begins, place, seed)]


def _spread(work: Callable[[Part], Result], parts: Iterable[Part]) -> Iterator[Result]:
    with ProcessPoolExecutor(mp_context=get_context("spawn")) as pool:
        yield from pool.map(work, parts)


def pins(run: Run) -> Figure:
    with ground(run) as on:
        faults = guessing.races(on, run.count, run.seed)
    return Figure(f"{run.count} races of {guessing.TOGETHER} guesses at once", faults)


def times(run: Run) -> Figure:
    with ground(run) as on:
        worst = guessing.sign_in_times(on.store, on.book.number, guessing.worn_badge(on), run.count)
    told = [f"time tells which badges there are, or who is shut out: |t| {worst:.2f}"] if worst >= guessing.MOST else []
    return Figure(f"{run.count} guesses of each kind, worst |t| {worst:.2f}", told)


def one_stream(run: Run) -> Figure:
    with ground(run) as on:
        service = on.start(None if run.count >= FILLS_THE_CACHE else "small cache")
        try:
            found = streaming.stream(service, on.token, streaming.entries(run.count, run.seed), run.count)
        finally:
            service.kill()
    wrong = list(found.wrong)
    if found.statuses != {201: run.count} or found.last.get("count") != run.count:
        wrong.append(f"answered {found.statuses}, the last line is {found.last}")
    if found.growth() > 0.10:
        wrong.append(f"memory is not flat: {[round(m) for m in found.memory[::20]]} MiB")
    held = f"{found.memory[len(found.memory) // 5]:.0f} MiB after a fifth, {100 * found.growth():+.1f} % at the end"
    return Figure(f"{run.count} entries in one stream, memory {held}", wrong)


def _made(run: Run, name: str) -> Path:
    place = run.folder / name
    place.mkdir()
    return place


GOALS = {
    "B1": Goal(kills, 1000, STORES),
    "B2": Goal(calls_killed, 1),
    "B3": Goal(power_cut, 50_000),
    "B4": Goal(disk_errors, 200),
    "B5": Goal(full, 200, STORES),
    "B6": Goal(partial(properties, "b6"), 1000),
    "B11": Goal(repeats, 2000),
    "B12": Goal(hot_keys, 200, STORES),
    "B13": Goal(crowd, 100_000, STORES),
    "B14": Goal(crowd, 100_000, STORES),
    "B15": Goal(partial(properties, ""), 500),
    "B16": Goal(lives, 5000),
    "B17": Goal(pairs, 1000),
    "B24": Goal(pins, 1000),
    "B25": Goal(times, 20_000),
    "stream": Goal(one_stream, 1_000_000),
}


def scratch() -> tempfile.TemporaryDirectory[str]:
    return tempfile.TemporaryDirectory(prefix="goal-")
