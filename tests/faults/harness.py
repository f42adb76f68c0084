"""A service that is killed again and again under writers with queues of their own, a puller and repeats."""

import http.client
import json
import os
import random
import signal
import subprocess
import sys
import threading
import time
from collections import deque
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from service_api.app import Store, migrate
from service_api.domain.ids import uuid7_from
from service_api.log.store import Book
from service_api.permits import Sender
from service_api.settings import Settings
from service_api.wire.entries import read_draft
from tests import factories as f
from tests.conftest import new_book, token_of
from tests.faults.checks import Clients, faults

ROOT = Path(__file__).parents[2]
WRITERS = 4
UNITS = ("U-1", "U-2", "U-3", "U-4")
MORE_UNITS = tuple(f"U-{n}" for n in range(1, 41))
AT_WORK = 10  # entries acknowledged before a kill is due
KILL_AFTER = (0.05, 0.4)  # seconds under load
ALIVE = 20  # seconds within which a service has to come up, and a queue to be empty


@dataclass
class Ground:
    """A prepared store, and how a service is started on it."""

    settings: Settings
    store: Store
    book: Book
    token: str
    workers: int = 1  # processes of the service

    def start(self, plant: str | None = None) -> "Service":
        """A service of its own on this store, with a fault planted in it when one is named."""
        if self.store.hold is not None:
            self.store.hold.release()  # from here on it is the service's; what is checked between, nobody else writes
        kept = {k: v for k, v in os.environ.items() if not k.startswith("FETTLEBOOK_")}
        env = kept | {"PYTHONPATH": str(ROOT), "FETTLEBOOK_DATABASE": self.settings.database}
        program = ["service_api.cli"] if plant is None else ["tests.faults.plants", plant]
        command = [sys.executable, "-m", *program, "--data", str(self.settings.data), "--json", "serve", "--port", "0"]
        command += ["--workers", str(self.workers)]
        return Service(subprocess.Popen(command, env=env, stdout=subprocess.PIPE, text=True, start_new_session=True))


class Service:
    """A running service in a process of its own."""

    def __init__(self, process: "subprocess.Popen[str]") -> None:
        self.process = process
        assert process.stdout is not None
        line = process.stdout.readline()
        if not line:
            raise RuntimeError(f"the service ended with {process.wait()} before it served")
        where = urlsplit(json.loads(line)["url"])
        self.host, self.port = where.hostname or "", where.port or 0

    def kill(self) -> None:
        """SIGKILL: nothing in the process, nor in those that it made, gets to finish anything."""
        with suppress(ProcessLookupError):
            os.killpg(self.process.pid, signal.SIGKILL)
        self.process.wait(10)
        assert self.process.stdout is not None
        self.process.stdout.close()


@contextmanager
def ground(folder: Path, database: str | None = None, workers: int = 1) -> Iterator[Ground]:
    """A migrated store with a book, its people, a sheet and units; SQLite in the folder unless a URL is given."""
    settings = Settings(folder, database or f"sqlite:///{folder}/fettlebook.db", "+01:00")
    migrate(settings.database)
    store = Store(settings)
    try:
        book = new_book(store, "faults.example/book")
        first = [
            f.sheet_issued(),
            f.registered(f.GAUGE, "GDIAL"),
            f.gauge_calibrated(),
            *(map(f.registered, MORE_UNITS)),
        ]
        early = {"occurred_at": moment(timedelta(days=60))}
        sent = [raw | early | {"id": f.entry_id(n)} for n, raw in enumerate(first)]
        outcomes = store.recorder(book.number).record([read_draft(raw) for raw in sent], Sender("t-0", vouches=True))
        assert {"recorded"} == {o.status for o in outcomes}, [str(o.refusal) for o in outcomes]
        yield Ground(settings, store, book, token_of(store, book, "admin"), workers)
    finally:
        store.close()


def moment(before: timedelta) -> str:
    return (datetime.now(UTC) - before).isoformat(timespec="seconds")


@dataclass
class Load:
    """Writers and a puller, from now until `stop`. A seed gives the same entries; how they interleave is the machine's.

    The service may come and go: `up` names the one that serves.
    most : entries that each writer makes, without a figure until `stop`
    unruly : how much of what is sent is late or a correction, as a share of what the kills send
    """

    token: str
    seed: int
    writers: int = WRITERS
    pullers: int = 1
    most: int | None = None
    units: tuple[str, ...] = UNITS
    unruly: float = 1.0
    clients: Clients = field(default_factory=Clients)
    up: Service | None = None
    stopping: bool = False
    written: bool = False
    abandoned: bool = False
    threads: list[threading.Thread] = field(default_factory=list)
    steady: str = field(default_factory=lambda: moment(timedelta(minutes=5)))

    def start(self) -> None:
        work = [_Writer(self, n).run for n in range(self.writers)] + [self._pull] * self.pullers
        self.threads = [threading.Thread(target=self._guarded, args=(each,)) for each in work]
        for thread in self.threads:
            thread.start()

    def stop(self) -> None:
        """No new entries; returns when every queue is empty."""
        self.stopping = True
        for n, thread in enumerate(self.threads):
            self.written = n >= self.writers
            thread.join(ALIVE)
            if thread.is_alive():
                self.clients.surprises.append("a queue was not empty in time")

    def finish(self, seconds: float) -> None:
        """Every writer makes all that it is to make; then as `stop`."""
        until = time.monotonic() + seconds
        for thread in self.threads[: self.writers]:
            thread.join(max(0, until - time.monotonic()))
        self.stop()

    def _guarded(self, work: Any) -> None:
        try:
            work()
        except Exception as error:
            self.clients.surprises.append(f"{type(error).__name__}: {error}")

    def ask(self, line: "Line", method: str, path: str, body: bytes | None = None) -> tuple[int, bytes] | None:
        """(status, body), or None when the service went away: then nothing is known of what became of it."""
        service = self.up
        if service is None:
            time.sleep(0.005)
            return None
        try:
            return line.ask(service, method, path, body)
        except (OSError, http.client.HTTPException):
            line.close()
            return None

    def _pull(self) -> None:
        """The feed from the start on, as an ERP would; the place is kept through every restart."""
        line, at, told, last = Line(self.token), 0, 1, False
        while told or not last:
            last = self.written
            answer = self.ask(line, "GET", f"/v1/feed?from={at}&limit=500")
            if answer is None:
                if self.abandoned:
                    break
                continue
            if answer[0] != 200:
                self.clients.surprises.append(f"feed: {answer[0]} {answer[1][:200]!r}")
                continue
            found = json.loads(answer[1])
            told = len(found["entries"])
            self.clients.surprises += feed_faults(at, [entry["index"] for entry in found["entries"]], found["next"])
            for entry in found["entries"]:
                if self.clients.read.setdefault(entry["index"], entry["id"]) != entry["id"]:
                    self.clients.surprises.append(f"feed: {entry['index']} is not the same for all who pull")
            at = found["next"]
            time.sleep(0.01)
        self.clients.ends.append(at)
        line.close()


def feed_faults(at: int, indexes: list[int], following: int) -> list[str]:
    """What is wrong with a page of a feed that was asked for from `at` on: none may be left out, none come twice."""
    wanted = list(range(at, at + len(indexes)))
    found = [f"feed: {index} came where {n} was next" for n, index in zip(wanted, indexes, strict=True) if index != n]
    if following != at + len(indexes):
        found.append(f"feed: says {following} is next after {at} and {len(indexes)} entries")
    return found


class Line:
    """One kept-alive connection, made anew when it broke or the service is another."""

    def __init__(self, token: str) -> None:
        self.headers = {"Authorization": f"Bearer {token}", "Content-Type": "application/json"}
        self.service: Service | None = None
        self.connection: http.client.HTTPConnection | None = None

    def ask(self, service: Service, method: str, path: str, body: bytes | None) -> tuple[int, bytes]:
        if self.connection is None or self.service is not service:
            self.close()
            self.service, self.connection = service, http.client.HTTPConnection(service.host, service.port, timeout=15)
        self.connection.request(method, path, body, self.headers)
        answer = self.connection.getresponse()
        return answer.status, answer.read()

    def close(self) -> None:
        if self.connection is not None:
            self.connection.close()
        self.connection = None


class _Writer:
    """One bench: it makes an entry, keeps it in its queue until it is acknowledged, and repeats itself at times."""

    def __init__(self, load: Load, number: int) -> None:
        self.load, self.number = load, number
        self.random = random.Random(f"{load.seed} {number}")
        self.queue: deque[dict[str, Any]] = deque()
        self.mine: list[dict[str, Any]] = []  # acknowledged facts of its own, which it may correct
        self.made = 0

    def run(self) -> None:
        line = Line(self.load.token)
        while not self.load.abandoned and (self.queue or not self._done()):
            if not self.queue:
                self.queue.extend(self._next() for _ in range(self.random.choice((1, 1, 1, 5))))
            batch = list(self.queue)
            for raw in batch:
                self.load.clients.sent.setdefault(raw["id"], raw)
            if len(batch) == 1:
                self._one(line, batch[0])
            else:
                self._many(line, batch)
        line.close()

    def _done(self) -> bool:
        return self.load.stopping or (self.load.most is not None and self.made >= self.load.most)

    def _one(self, line: Line, raw: dict[str, Any]) -> None:
        began = time.monotonic()
        answer = self.load.ask(line, "POST", "/v1/entries", json.dumps(raw).encode())
        self._sent_at(raw, began)
        if answer is None:
            return
        status, text = answer
        if status not in (200, 201):
            self.load.clients.surprises.append(f"{status} {text[:300]!r}")
            self.queue.popleft()
            return
        self._heard(raw, text.removesuffix(b',"again":true}') + b"}" if status == 200 else text)

    def _many(self, line: Line, batch: list[dict[str, Any]]) -> None:
        began = time.monotonic()
        answer = self.load.ask(line, "POST", "/v1/entries", json.dumps(batch).encode())
        for raw in batch:
            self._sent_at(raw, began)
        if answer is None:
            return
        status, text = answer
        outcomes = json.loads(text).get("outcomes", []) if status == 200 else []
        if [o["id"] for o in outcomes] != [raw["id"] for raw in batch] or {o["status"] for o in outcomes} - {200, 201}:
            self.load.clients.surprises.append(f"{status} {text[:300]!r}")
            self.queue.clear()
            return
        for raw, outcome in zip(batch, outcomes, strict=True):
            self._heard(raw, json.dumps(outcome["entry"], separators=(",", ":"), ensure_ascii=False).encode())

    def _sent_at(self, raw: dict[str, Any], began: float) -> None:
        """The first time counts: a later one is the same entry again."""
        self.load.clients.times.setdefault(raw["id"], (began, float("inf")))

    def _heard(self, raw: dict[str, Any], text: bytes) -> None:
        clients, ident = self.load.clients, raw["id"]
        self.queue.popleft()
        first = clients.acked.setdefault(ident, text)
        if first != text:
            clients.surprises.append(f"{ident} was answered {first[:200]!r} and then {text[:200]!r}")
        sent, answered = clients.times[ident]
        if answered == float("inf"):
            clients.times[ident] = (sent, time.monotonic())
            if not raw["type"].startswith(("entry.", "dispute.")):
                self.mine.append(raw)
        else:
            clients.again += 1

    def _next(self) -> dict[str, Any]:
        dice, clients = self.random, self.load.clients
        known = list(clients.acked)
        if known and dice.random() < 0.1:  # delivered twice: anybody's entry, by another connection
            return clients.sent[dice.choice(known[-200:])]
        self.made += 1
        more = {
            "id": uuid7_from(time.time_ns() // 1_000_000, dice.getrandbits(12), dice.getrandbits(62)),
            "occurred_at": self.load.steady,
        }
        if dice.random() < self.load.unruly:
            more["occurred_at"] = moment(timedelta(minutes=dice.randint(5, 50_000)))
        if self.mine and dice.random() < 0.2 * self.load.unruly:
            target = dice.choice(self.mine[-50:])
            elsewhere = dice.choice([u for u in self.load.units if f"unit:{u}" != target["subject"]])
            made = dice.choice(
                (
                    f.superseded(target, target["data"], **more),
                    f.withdrawn(target, **more),
                    f.reattributed(target, f"unit:{elsewhere}", **more),
                    f.annotated(target, **more),
                )
            )
            return made
        more["unit"] = dice.choice(self.load.units)
        n = dice.randint(0, 9)
        return dice.choice(
            (
                lambda: f.meter_read(str(100 + self.made), **more),
                lambda: f.reading(f"0.{10 + n}", hours=str(100 + self.made), **more),
                lambda: f.fitted("feed-nut", f.piece(serial=f"S-{n}"), **more),
                lambda: f.removed("feed-nut", f.piece(serial=f"S-{n}"), **more),
                lambda: f.tag_attached(f"OWN-{n}", **more),
                lambda: f.tag_detached(f"OWN-{n}", **more),
                lambda: f.finding_raised(f"F-{n}", **more),
                lambda: f.scanned(**more),
            )
        )()


@dataclass
class Round:
    """What one kill did: after how many seconds under load, what was acknowledged so far, what is wrong."""

    number: int
    after: float
    acked: int
    entries: int
    faults: list[str]


def _until_it_answers(load: Load) -> None:
    """A kill counts when it falls on a service at work, not on one that is still reading its code."""
    before, until = len(load.clients.acked), time.monotonic() + ALIVE
    while len(load.clients.acked) < before + AT_WORK:
        if time.monotonic() > until:
            raise RuntimeError(f"next to nothing was acknowledged in {ALIVE} s: {load.clients.surprises[:3]}")
        time.sleep(0.002)


def kills(on: Ground, rounds: int, seed: int, check_every: int = 1) -> Iterator[Round]:
    """Kill the service so many times under load, then let every queue run empty and check once more.

    The last round given is that last check; its number is 0.
    """
    dice, load = random.Random(seed), Load(on.token, seed)
    service: Service | None = None
    try:
        for number in range(1, rounds + 1):
            service = load.up = on.start()
            if number == 1:
                load.start()
            _until_it_answers(load)
            after = dice.uniform(*KILL_AFTER)
            time.sleep(after)
            service.kill()
            load.up = None
            found = faults(on.store, on.book, load.clients) if number % check_every == 0 else []
            yield Round(number, after, len(load.clients.acked), on.store.answers(on.book.number).size(), found)
        service = load.up = on.start()
        load.stop()
        service.kill()
        found = faults(on.store, on.book, load.clients)
        found += [f"queue: {i} was never acknowledged" for i in load.clients.sent.keys() - load.clients.acked.keys()]
        yield Round(0, 0, len(load.clients.acked), on.store.answers(on.book.number).size(), found)
    finally:
        load.stopping = load.written = load.abandoned = True
        with suppress(Exception):
            if service is not None:
                service.kill()
        for thread in load.threads:
            thread.join(1)
