"""A kill, or an error of the disk, at each system call of an append and a checkpoint, or of a migration (B2, B4)."""

import shutil
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from alembic import command
from alembic.config import Config
from sqlalchemy import text

from service_api.app import Store, migrate
from service_api.log import driver
from service_api.log import store as log
from service_api.log.conformance import MOMENT, root_by_the_book, row_of
from service_api.log.engines import writing_engine
from service_api.log.store import Book
from service_api.log.tail import check_tail
from service_api.settings import travelling
from service_api.wire.entries import read_draft
from tests.faults import work
from tests.faults.checks import Clients, faults, log_faults
from tests.faults.harness import ground
from tests.faults.traced import Ended, traced

# Between two of these nothing outside the process changes: a kill at any other call is a kill at the next of these.
CHANGING = {"pwrite64", "write", "fdatasync", "fsync", "ftruncate", "unlink", "rename", "openat", "mkdir", "fallocate"}
KILLED = -9


@dataclass
class Found:
    """What a run came to: what is wrong, and how often the fault was done and outlived."""

    faults: list[str] = field(default_factory=list)
    done: int = 0
    told: Counter[str] = field(default_factory=Counter)


@dataclass
class Template:
    """A closed store that each fault gets a copy of, and what is sent to it."""

    folder: Path
    book: Book
    token: str

    def copy(self, to: Path) -> Path:
        shutil.rmtree(to, ignore_errors=True)
        shutil.copytree(self.folder, to, ignore=shutil.ignore_patterns("*.sock"))
        return to


def template(folder: Path) -> Template:
    folder.mkdir()
    with ground(folder) as on:
        return Template(folder, on.book, on.token)


def names_in(trace: Path) -> Counter[str]:
    """How often each call was made, by a trace of strace."""
    lines = trace.read_text(errors="replace").splitlines()
    called = (line.split(maxsplit=1)[1].partition("(")[0] for line in lines if "(" in line)
    return Counter(name for name in called if name.isidentifier())


def kill_at_each_call(folder: Path, names: set[str] | None, *words: str, most: int | None = None) -> Found:
    """B2: appends and a checkpoint, killed at each of these calls, at every call with None. Words are for the child."""
    found, ready = Found(), template(folder / "template")
    sent = work.batches()
    for options in _each(folder, names, most):
        place = ready.copy(folder / "killed")
        ended = traced(work.append, str(place), ready.token, sent, *words, options=options)
        found.done += ended.status == KILLED
        if options[-1].startswith("inject") and ended.status not in (KILLED, 0):
            found.faults.append(f"{options[-1]}: ended with {ended.status}")
        found.faults += [f"{options[-1]}: {fault}" for fault in _outlived(ready, place, sent, ended)]
    return found


def _each(folder: Path, names: set[str] | None, most: int | None = None) -> Iterator[list[str]]:
    """Options of strace: for one clean run, then for a kill at each call that this run made, as the trace counts."""
    trace = folder / "trace"
    yield ["-o", str(trace), "-e", "trace=all"]
    for name, number in sorted(names_in(trace).items()):
        if (names is None or name in names) and name != "exit_group":
            for n in _spaced(number, most):
                yield ["-o", "/dev/null", "-e", f"trace={name}", "-e", f"inject={name}:signal=KILL:when={n}"]


def _spaced(number: int, most: int | None) -> list[int]:
    """The first so many numbers, or `most` of them with the first and the last among them."""
    if most is None or number <= most:
        return list(range(1, number + 1))
    return sorted({round(1 + n * (number - 1) / (most - 1)) for n in range(most)})


def _outlived(ready: Template, place: Path, sent: list[work.Batch], ended: Ended) -> list[str]:
    """What is wrong with a store after its process, and again after everything was sent once more."""
    store = Store(work.settings_of(place))
    try:
        clients = _heard(ended)
        with store.writing.begin() as connection:
            found = log_faults(connection, ready.book, clients)
        for batch in sent:
            outcomes = store.recorder(ready.book.number).record([read_draft(raw) for raw in batch], work.ADMIN)
            found += [f"sent again: {o.refusal}" for o in outcomes if o.status not in ("recorded", "again")]
        return found + faults(store, ready.book, clients)
    finally:
        store.close()


def _heard(ended: Ended) -> Clients:
    clients = Clients()
    for n, said in enumerate(ended.said):
        for ident, answer in said.items() if isinstance(said, dict) else ():
            clients.acked[ident] = answer.encode()
            clients.times[ident] = (n, n)
    return clients


def fail_at_each(folder: Path, number: int, *words: str) -> Found:
    """B4: EIO at the Nth write and at the Nth sync, N up to `number`; told `outcome-unknown` or not noticed."""
    found, ready = Found(), template(folder / "template")
    sent = work.singles(number + 3)
    for name in ("fdatasync", "pwrite64"):
        for n in range(1, number + 1):
            place = ready.copy(folder / "failed")
            options = ["-o", "/dev/null", "-e", f"trace={name}", "-e", f"inject={name}:error=EIO:when={n}"]
            ended = traced(work.append, str(place), ready.token, sent[: n + 3], *words, options=options)
            told = [said for said in ended.said if isinstance(said, list)]
            found.done += 1
            found.told.update(f"{status} {slug}" for status, slug in told)
            wrong = [t for t in told if t != [503, "outcome-unknown"]] + told[1:]
            if ended.status != 0 or ended.said[-1:] != ["closed"]:
                wrong.append(["ended", ended.status])
            found.faults += [f"{name} {n}: {w}" for w in wrong]
            found.faults += [f"{name} {n}: {w}" for w in _outlived(ready, place, sent[: n + 3], ended)]
    return found


# Migrations


def kill_a_migration(folder: Path, names: set[str] | None, *words: str, most: int | None = None) -> Found:
    """B2, from an empty file and from the first revision with entries in: afterwards a migration brings it up."""
    found = Found()
    for name, made in (("empty", _empty), ("first", _first_revision)):
        own = folder / name
        own.mkdir()
        template, entries = own / "template", made(own / "template")
        for options in _each(own, names, most):
            place = own / "killed"
            shutil.rmtree(place, ignore_errors=True)
            shutil.copytree(template, place)
            ended = traced(work.migrate, str(place), *words, options=options)
            found.done += ended.status == KILLED
            found.faults += [f"{name}, {options[-1]}: {fault}" for fault in _came_up(place, entries)]
    return found


def _empty(folder: Path) -> list[bytes]:
    folder.mkdir()
    return []


def _first_revision(folder: Path) -> list[bytes]:
    """A store as the first revision made it, with a book of a few entries."""
    folder.mkdir()
    config = Config()
    config.set_main_option("script_location", str(travelling("migrations")))
    config.set_main_option("sqlalchemy.url", work.settings_of(folder).database)
    command.upgrade(config, "0001")
    given = [b'{"n":%d}' % n for n in range(9)]
    engine = writing_engine(work.settings_of(folder).database)
    with engine.begin() as connection:
        book = log.make_book(connection, "faults.example/old", "UTC", MOMENT)
        head = log.read_head(connection, book.number)
        rows = [row_of(n, hashed) for n, hashed in enumerate(given)]
        changes = driver.changes(connection)
        done = log.append(changes, book.number, head, rows, MOMENT)
        log.add_receipts(changes, book.number, done.leaves, [None] * len(given))
    engine.dispose()
    return given


def _came_up(place: Path, entries: list[bytes]) -> list[str]:
    try:
        migrate(work.settings_of(place).database)
        store = Store(work.settings_of(place))
    except Exception as error:
        return [f"does not come up: {error}"]
    try:
        with store.writing.begin() as connection:
            found = [str(connection.execute(text("PRAGMA integrity_check")).scalar())]
            kept = [bytes(stored.hashed) for stored in log.read(connection, 1)]
            found += [] if kept == entries else ["other entries"]
            if entries:
                check_tail(connection, 1)
                if log.read_head(connection, 1).frontier.root() != root_by_the_book(entries):
                    found.append("another root")
        return [words for words in found if words != "ok"]
    finally:
        store.close()
