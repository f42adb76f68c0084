"""The power goes (B3): what a disk may hold then, made from the written-down system calls of a service at work.

What was synced is there. Of the rest each sector of 512 bytes holds any of the contents that it was given since, each
file any of its sizes, and the folder any of its states; each for itself, as caches and disks write in what order they
like. The index beside the log of SQLite (`-shm`) is memory that a new process makes again.
"""

import json
import os
import random
import re
import shutil
import sqlite3
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, NamedTuple

from sqlalchemy import create_engine
from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.pool import NullPool

from service_api.app import Store
from service_api.permits import Sender
from service_api.wire.entries import read_draft
from tests.faults import work
from tests.faults.calls import Template, template
from tests.faults.checks import Clients, faults, log_faults
from tests.faults.traced import traced

SECTOR = 512
MEMORY = "/dev/shm"
WHOLE = 50  # every so many images are opened by the service too, redrawn and written to
CALLS = (
    "openat,creat,write,pwrite64,writev,pwritev,pwritev2,ftruncate,truncate,fsync,fdatasync,unlink,unlinkat,rename,"
    "renameat,renameat2,fallocate,link"
)


class Event(NamedTuple):
    """One call: create, write, size, sync, unlink of a file; `folder`, a sync of the folder; `said`, to the outside."""

    kind: str
    name: str = ""
    at: int = 0
    data: bytes = b""


@dataclass
class Recording:
    """What lay in the folder when the work began, and every call since that changed it or was heard outside."""

    base: dict[str, bytes]
    events: list[Event]


def record(ready: Template, folder: Path, sent: list[work.Batch], *words: str) -> Recording:
    """Let a child send these batches on a copy of the store, a checkpoint every few pages, and write down its calls."""
    place, trace, base = ready.copy(folder / "recorded"), folder / "trace", {}

    def snapshot() -> None:
        base.update({p.name: p.read_bytes() for p in place.iterdir() if p.is_file() and not p.name.endswith("-shm")})

    options = ["-o", str(trace), "-y", "-xx", "-s", "16777216", "-e", f"trace={CALLS}"]
    words = ("PRAGMA wal_autocheckpoint=20", *words)
    ended = traced(work.append, str(place), ready.token, sent, *words, options=options, held=snapshot)
    refused = [said for said in ended.said if isinstance(said, list)]
    assert ended.said[-1:] == ["closed"] and refused == [], (ended.status, refused)
    events = list(_events(trace, place))
    heard = sum(e.kind == "said" for e in events)
    assert heard == len(ended.said), f"the trace has {heard} of {len(ended.said)} answers: it was not understood"
    return Recording(base, events)


LINE = re.compile(r"\d+ +(\w+)\((.*)\) += (-?\d+)")
HEX = re.compile(r'"((?:\\x[0-9a-f]{2})*)"')
HELD = re.compile(r"^\d+<((?:\\x[0-9a-f]{2})*)>")


def _unhex(text: str) -> bytes:
    return bytes.fromhex(text.replace("\\x", ""))


def _events(trace: Path, place: Path) -> Iterator[Event]:
    """The calls on files in the folder, and what went into a pipe. Raises for a call that nobody taught it."""
    known: set[str] = {p.name for p in place.iterdir()}
    inside = f"{place}/"
    with trace.open() as lines:
        for line in lines:
            found = LINE.match(line)
            if found is None or int(found[3]) < 0:
                continue
            call, given = found[1], found[2]
            held = HELD.match(given)
            texts = [_unhex(text) for text in HEX.findall(given)]
            path = _unhex(held[1]).decode(errors="replace") if held else (texts[0].decode() if texts else "")
            if call == "write" and path.startswith("pipe:"):
                yield Event("said", data=texts[0])
            elif path == str(place) and call in ("fsync", "fdatasync"):
                yield Event("folder")
            elif path.startswith(inside) and not path.endswith("-shm"):
                name = path.removeprefix(inside)
                if call == "openat":
                    if "O_TRUNC" in given:
                        raise NotImplementedError(line[:200])
                    if "O_CREAT" in given and name not in known:
                        known.add(name)
                        yield Event("create", name)
                elif call == "pwrite64":
                    yield Event("write", name, int(given.rpartition(", ")[2]), texts[0][: int(found[3])])
                elif call == "ftruncate":
                    yield Event("size", name, int(given.rpartition(", ")[2]))
                elif call in ("fsync", "fdatasync"):
                    yield Event("sync", name)
                elif call == "unlink":
                    known.discard(name)
                    yield Event("unlink", name)
                else:
                    raise NotImplementedError(line[:200])


class _File:
    """What a file holds for those who read it, what of it is on the disk for certain, and what may be there instead."""

    def __init__(self, content: bytes = b"") -> None:
        self.now = bytearray(content)
        self.sync()

    def sync(self) -> None:
        self.durable = bytes(self.now)
        self.sizes = [len(self.now)]
        self.sectors: dict[int, list[bytes]] = {}

    def write(self, at: int, data: bytes) -> None:
        if at > len(self.now):
            self.now.extend(bytes(at - len(self.now)))
        self.now[at : at + len(data)] = data
        self._note(at // SECTOR, -(-(at + len(data)) // SECTOR))
        self.sizes.append(len(self.now))

    def resize(self, size: int) -> None:
        old = len(self.now)
        del self.now[size:]
        self.now.extend(bytes(max(0, size - len(self.now))))
        self._note(size // SECTOR, -(-old // SECTOR))
        self.sizes.append(size)

    def _note(self, first: int, stop: int) -> None:
        for n in range(first, stop):
            content = bytes(self.now[n * SECTOR : (n + 1) * SECTOR]).ljust(SECTOR, b"\0")
            self.sectors.setdefault(n, []).append(content)

    def torn(self, dice: random.Random) -> bytes:
        """One of the contents that the disk may hold."""
        often = dice.choice((0.0, 0.1, 0.5, 0.9, 1.0))
        size = dice.choice(self.sizes) if dice.random() < 0.7 else self.sizes[-1]
        found = bytearray(self.durable.ljust(size, b"\0"))
        for n, contents in self.sectors.items():
            if dice.random() < often:
                content = dice.choice(contents) if dice.random() < 0.3 else contents[-1]
                if len(found) < (n + 1) * SECTOR:
                    found.extend(bytes((n + 1) * SECTOR - len(found)))
                found[n * SECTOR : (n + 1) * SECTOR] = content
        return bytes(found[:size])


class Image(NamedTuple):
    files: dict[str, bytes]
    said: dict[str, bytes]  # id -> answer: what had been acknowledged by then
    event: int


def images(recording: Recording, number: int, dice: random.Random) -> Iterator[Image]:
    """So many crashes, each at a random moment of the recording."""
    moments = sorted(dice.randrange(len(recording.events) + 1) for _ in range(number))
    folder: dict[str, _File] = {name: _File(content) for name, content in recording.base.items()}
    states, said, done = [dict(folder)], dict[str, bytes](), 0
    for moment in moments:
        for event in recording.events[done:moment]:
            if event.kind == "said":
                heard = json.loads(event.data)
                said |= {i: a.encode() for i, a in heard.items()} if isinstance(heard, dict) else {}
            else:
                states = _happened(event, folder, states)
        done = moment
        there = dice.choice(states) if dice.random() < 0.7 else states[-1]
        yield Image({name: file.torn(dice) for name, file in there.items()}, dict(said), moment)


def _happened(event: Event, folder: dict[str, _File], states: list[dict[str, _File]]) -> list[dict[str, _File]]:
    """What the folder may look like on the disk after this call."""
    match event.kind:
        case "folder":
            return [dict(folder)]
        case "create":
            folder[event.name] = _File()
        case "unlink":
            del folder[event.name]
        case "write":
            folder[event.name].write(event.at, event.data)
            return states
        case "size":
            folder[event.name].resize(event.at)
            return states
        case "sync":
            folder[event.name].sync()
            return states
    return [*states, dict(folder)]


@dataclass
class Outlived:
    """How many images there were, how many had lost what was acknowledged, and all that is wrong with any."""

    images: int = 0
    lost: int = 0
    faults: list[str] = field(default_factory=list)


def outlive(folder: Path, number: int, seed: int, *words: str) -> Outlived:
    """Record a service at work, and open so many of the disks that a power cut could have left behind."""
    dice, ready = random.Random(seed), template(folder / "template")
    sent = [*work.batches(), *work.mixed(seed, 40)]
    recording = record(ready, folder, sent, *words)
    found = Outlived()
    with tempfile.TemporaryDirectory(dir=MEMORY if os.path.isdir(MEMORY) else folder) as scratch:
        check = _Check(ready, Path(scratch) / "image", sent)
        for n, image in enumerate(images(recording, number, dice)):
            wrong = check(image, whole=n % WHOLE == 0)
            found.images += 1
            found.lost += any(w.startswith("lost") for w in wrong)
            found.faults += [f"image {n}, after call {image.event}: {w}" for w in wrong]
    return found


class _Check:
    """Opens an image as SQLite does after a crash, and looks at everything that was promised."""

    def __init__(self, ready: Template, place: Path, sent: list[work.Batch]) -> None:
        self.ready, self.place, self.sent = ready, place, sent
        self.engine = create_engine("sqlite://", creator=self._open, poolclass=NullPool)

    def _open(self) -> Any:
        bare = sqlite3.connect(self.place / "fettlebook.db")
        bare.execute("PRAGMA synchronous=OFF")  # nobody pulls the plug twice
        return bare

    def __call__(self, image: Image, whole: bool) -> list[str]:
        shutil.rmtree(self.place, ignore_errors=True)
        self.place.mkdir()
        for name, content in image.files.items():
            (self.place / name).write_bytes(content)
        clients = Clients(acked=image.said, times=dict.fromkeys(image.said, (0, 0)))
        try:
            with self.engine.connect() as connection:
                said = connection.exec_driver_sql("PRAGMA integrity_check").scalar()
                if said != "ok":
                    return [f"integrity: {said}"]
                found = log_faults(connection, self.ready.book, clients)
            return found or (self._served(clients) if whole else [])
        except (SQLAlchemyError, sqlite3.DatabaseError, OSError, ValueError) as error:
            return [f"does not open: {error}"]

    def _served(self, clients: Clients) -> list[str]:
        """The service goes on with it: it takes everything that was sent once more, and a redraw changes nothing."""
        store = Store(work.settings_of(self.place))
        try:
            recorder = store.recorder(self.ready.book.number)
            outcomes = [
                o for batch in self.sent for o in recorder.record([read_draft(r) for r in batch], Sender("t-0"))
            ]
            wrong = [f"sent again: {o.refusal}" for o in outcomes if o.status not in ("recorded", "again")]
            return wrong + faults(store, self.ready.book, replace(clients))
        finally:
            store.close()
