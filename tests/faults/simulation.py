"""Shop life in one process from one seed (B16): two benches that lose the network, an ERP, an auditor, a clock, faults.

Nothing but the seed decides what happens: the clocks are the simulation's, the service is asked in this process, and
the store that it begins with has a token that is the same every time. So a seed can be run again, byte for byte.
"""

import json
import random
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from hashlib import sha256
from pathlib import Path
from typing import Any

import pytest
import rfc8785
from sqlalchemy import text

from service_api.app import Store, create_app, migrate
from service_api.directory import tokens
from service_api.log.conformance import root_by_the_book
from service_api.log.store import Book
from service_api.ops.redraw import redraw
from service_api.permits import Sender
from service_api.wire.entries import read_draft
from tests import factories as f
from tests.conftest import client_with, new_book, token_of
from tests.faults.checks import Clients, faults
from tests.faults.work import FACTS, settings_of

BEGAN = datetime(2026, 1, 5, 12, tzinfo=UTC)
UNITS = ("U-1", "U-2", "U-3")
STEPS = 60
JUMPS = (timedelta(days=3652), timedelta(days=-3652), timedelta(days=1), timedelta(hours=-1), timedelta(minutes=6))
UNKNOWN, DOUBT = (503, "outcome-unknown"), (503, "clock-doubt")


@dataclass
class Beginning:
    """A closed store with a book, its people, a sheet and units; and an admin's token that is the same every time."""

    folder: Path
    book: Book
    token: str


def beginning(folder: Path) -> Beginning:
    folder.mkdir()
    migrate(settings_of(folder).database)
    store = Store(settings_of(folder), lambda: BEGAN)
    dice = random.Random(0)
    try:
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(tokens, "token_bytes", dice.randbytes)
            patch.setattr(tokens, "token_hex", lambda n: dice.randbytes(n).hex())
            book = new_book(store, "simulated.example/shop")
            token = token_of(store, book, "admin")
        first = [f.sheet_issued(), f.registered(f.GAUGE, "GDIAL"), f.gauge_calibrated(), *map(f.registered, UNITS)]
        early = [raw | {"id": f.entry_id(n), "occurred_at": "2026-01-02T08:00:00Z"} for n, raw in enumerate(first)]
        store.recorder(book.number).record([read_draft(raw) for raw in early], Sender("t-0", vouches=True))
    finally:
        store.close()
    return Beginning(folder, book, token)


@dataclass
class Clocks:
    """The machine's clock, that somebody may set, and the one that counts on."""

    wall: datetime = BEGAN
    counted: float = 0.0

    def advance(self, span: timedelta) -> None:
        self.wall += span
        self.counted += span.total_seconds()

    @property
    def true(self) -> datetime:
        return BEGAN + timedelta(seconds=self.counted)


@dataclass
class Bench:
    """A device with a queue, a clock that is off, and an end of the network that comes and goes."""

    name: str
    offset: timedelta
    online: bool = True
    queue: list[dict[str, Any]] = field(default_factory=list)
    facts: list[dict[str, Any]] = field(default_factory=list)
    seq: int = 0


class World:
    """One run. `wrong` is everything that should not have happened; `digest` stands for all that was said."""

    def __init__(self, begins: Beginning, folder: Path, seed: int) -> None:
        self.begins, self.folder, self.dice = begins, folder, random.Random(seed)
        shutil.copytree(begins.folder, folder, ignore=shutil.ignore_patterns("*.sock", "*.lock"))
        self.clocks, self.clients = Clocks(), Clients()
        self.wrong: list[str] = []
        self.said = sha256()
        self.benches = [Bench("a", timedelta(seconds=40)), Bench("b", timedelta(seconds=-150))]
        self.made = 100
        self.commit_fails: str | None = None
        self.doubted = False
        self.cursor, self.changes = 0, list[Any]()
        self.leaves: list[bytes] = []
        self.known: dict[tuple[str, int], bytes] = {}
        self._open()

    def _open(self) -> None:
        self.store = Store(settings_of(self.folder), lambda: self.clocks.wall, counting=lambda: self.clocks.counted)
        self.store.uses.note = lambda *_: None  # type: ignore[method-assign]  # a thread of its own would make two lives differ
        self.client = client_with(create_app(self.store), self.begins.token)
        dialect: Any = self.store.writing.dialect
        commit = dialect.do_commit

        def failing(connection: Any) -> None:
            fails, self.commit_fails = self.commit_fails, None
            if fails != "lost":
                commit(connection)
            if fails is not None:
                error = sqlite3.OperationalError("disk I/O error")
                error.sqlite_errorcode = sqlite3.SQLITE_IOERR_FSYNC
                raise error

        dialect.do_commit = failing

    # What is asked

    def ask(self, path: str, body: Any = None) -> tuple[int, bytes]:
        if body is None:
            answer = self.client.get(path)
        else:
            answer = self.client.post(path, data=json.dumps(body), content_type="application/json")
        for part in (path, json.dumps(body), str(answer.status_code), answer.data):
            self.said.update(part if isinstance(part, bytes) else part.encode())
        return answer.status_code, answer.data

    def get(self, path: str) -> Any:
        status, found = self.ask(path)
        if status != 200:
            self.wrong.append(f"{path}: {status}")
            return {}
        return json.loads(found)

    # What happens

    def run(self) -> None:
        happenings = (
            [self.work] * 10
            + [self.sync] * 6
            + [self.network] * 2
            + [self.pull] * 3
            + [self.audit] * 2
            + [self.remember] * 2
            + [self.disk, self.restart, self.redraw, self.set_clock, self.set_right]
        )
        for _ in range(STEPS):
            self.clocks.advance(timedelta(seconds=self.dice.choice((1, 30, 600, 86_400))))
            self.dice.choice(happenings)()
        self.end()

    def work(self) -> None:
        bench = self.dice.choice(self.benches)
        bench.seq += 1
        self.made += 1
        at = self.clocks.true - timedelta(minutes=self.dice.choice((0, 0, 0, 90, 3000))) + bench.offset
        more = {
            "id": f.entry_id(self.made),
            "occurred_at": at.isoformat(timespec="seconds"),
            "by": ("mo.manager", "mia.manager")[bench.name == "b"],
            "device": {
                "id": bench.name,
                "seq": bench.seq,
                "clock_offset_ms": int(bench.offset.total_seconds() * 1000),
            },
        }
        if bench.facts and self.dice.random() < 0.25:
            target = self.dice.choice(bench.facts)
            raw = self.dice.choice(
                (
                    lambda: f.withdrawn(target, **more),
                    lambda: f.superseded(target, target["data"], **more),
                    lambda: f.annotated(target, **more),
                )
            )()
        else:
            raw = self.dice.choice(FACTS)(self.dice.randint(0, 9), more | {"unit": self.dice.choice(UNITS)})
            bench.facts.append(raw)
        bench.queue.append(raw)
        self.clients.sent[raw["id"]] = raw

    def network(self) -> None:
        bench = self.dice.choice(self.benches)
        bench.online = not bench.online

    def sync(self) -> None:
        for bench in self.benches:
            if bench.online and bench.queue:
                self.send(bench, self.dice.choice(("there", "there", "there", "lost", "reply lost", "twice")))

    def send(self, bench: Bench, fate: str) -> None:
        batch = bench.queue[: self.dice.choice((1, 3, 50))]
        if fate == "lost":
            return
        for raw in batch:
            self.clients.times.setdefault(raw["id"], (self.clocks.counted, float("inf")))
        if fate == "twice":
            self.ask("/v1/entries", batch)
        status, answer = self.ask("/v1/entries", batch)
        if fate == "reply lost":
            return
        said = json.loads(answer)
        if status != 200:
            refused = (status, said["type"].rpartition("/")[2])
            if refused != (DOUBT if self.doubted else UNKNOWN):
                self.wrong.append(f"a bench was told {refused}")
            return
        for raw, outcome in zip(batch, said["outcomes"], strict=True):
            if outcome["status"] not in (200, 201):
                self.wrong.append(f"{raw['type']} was refused: {outcome}")
                continue
            text = json.dumps(outcome["entry"], separators=(",", ":"), ensure_ascii=False).encode()
            if self.clients.acked.setdefault(raw["id"], text) != text:
                self.wrong.append(f"{raw['id']} was answered in two ways")
            self.clients.times[raw["id"]] = (self.clients.times[raw["id"]][0], self.clocks.counted)
        bench.queue = bench.queue[len(batch) :]

    def pull(self) -> None:
        """The ERP; at times it dies before it has stored where it was."""
        found = self.get(f"/v1/changes?from={self.cursor}&limit={self.dice.choice((1, 5, 100))}")
        if found and self.dice.random() < 0.8:
            self.changes += [(c["cursor"], c["index"], c["unit"], c["changed"]) for c in found["changes"]]
            self.cursor = found["next"]

    def audit(self) -> None:
        """The auditor hashes what the feed gives, as RFC 8785 and RFC 6962 say, and holds it against the leaf."""
        found = self.get(f"/v1/feed?from={len(self.leaves)}&limit=500")
        for entry in found.get("entries", ()):
            receipt = {name: entry.pop(name) for name in ("leaf", "discrepancies", "warnings")}
            hashed = rfc8785.dumps(entry)
            if sha256(b"\0" + hashed).hexdigest() != receipt["leaf"]:
                self.wrong.append(f"auditor: entry {entry['index']} has another leaf")
            self.leaves.append(hashed)
        with self.store.reading.begin() as connection:
            size, root = connection.execute(text("SELECT size, root FROM log_head")).one()
        if size == len(self.leaves) and bytes(root) != root_by_the_book(self.leaves):
            self.wrong.append(f"auditor: another root at {size}")

    def remember(self) -> None:
        """Somebody prints what is known now."""
        size = self.store.answers(self.begins.book.number).size()
        for unit in UNITS:
            path = f"/v1/units/{unit}/condition?known_index={size}&true_at=2026-01-04T00:00:00Z"
            self.known[path, size] = self.ask(path)[1]

    def disk(self) -> None:
        self.commit_fails = self.dice.choice(("kept", "lost"))

    def restart(self) -> None:
        if not self.doubted:
            self.commit_fails = None
            self.store.close()
            self._open()

    def redraw(self) -> None:
        if self.commit_fails is None:
            redraw(self.store, self.begins.book)

    def set_clock(self) -> None:
        self.clocks.wall += self.dice.choice(JUMPS)
        self.doubted = True

    def set_right(self) -> None:
        if self.doubted:
            self.clocks.wall = self.clocks.true
            self.commit_fails = None
            self.store.confirm_clock(self.begins.book)
            self.doubted = False

    def end(self) -> None:
        """The clock is right, the network is there, every queue runs empty; and now everything has to be so."""
        self.set_right()
        self.commit_fails = None
        for bench in self.benches:
            for _ in range(1000):
                if not bench.queue:
                    break
                self.send(bench, "there")
        self.audit()
        self.wrong += [f"{i} was never acknowledged" for i in self.clients.sent.keys() - self.clients.acked.keys()]
        for (path, _), was in self.known.items():
            if self.ask(path)[1] != was:
                self.wrong.append(f"{path} is not what it was")
        self._pulled_once()
        self.wrong += faults(self.store, self.begins.book, self.clients)
        if len(self.leaves) != self.store.answers(self.begins.book.number).size():
            self.wrong.append("auditor: not at the end")

    def _pulled_once(self) -> None:
        while found := self.get(f"/v1/changes?from={self.cursor}&limit=100")["changes"]:
            self.changes += [(c["cursor"], c["index"], c["unit"], c["changed"]) for c in found]
            self.cursor = self.get(f"/v1/changes?from={self.cursor}&limit=100")["next"]
        whole, at = list[Any](), 0
        while found := (page := self.get(f"/v1/changes?from={at}&limit=500"))["changes"]:
            whole += [(c["cursor"], c["index"], c["unit"], c["changed"]) for c in found]
            at = page["next"]
        if whole != self.changes:
            self.wrong.append("ERP: what it took is not every change once")


@contextmanager
def lived(begins: Beginning, folder: Path, seed: int) -> Iterator[World]:
    world = World(begins, folder, seed)
    try:
        world.run()
        yield world
    finally:
        world.store.close()
        shutil.rmtree(folder)


def simulate(begins: Beginning, folder: Path, seed: int) -> list[str]:
    """All that was wrong in this seed's life, and whether it came out the same twice."""
    digests = []
    for turn in ("first", "second"):
        with lived(begins, folder / f"{seed}-{turn}", seed) as world:
            found = [f"seed {seed}: {words}" for words in world.wrong]
            digests.append(world.said.hexdigest())
    return found + ([] if digests[0] == digests[1] else [f"seed {seed}: not the same when it is run again"])
