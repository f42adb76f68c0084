"""A book that is altered beneath its service, and who finds it: the auditor with its copy, and `verify` inside."""

import json
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from fettlebook_audit.checker import checked
from fettlebook_audit.copies import Copy
from fettlebook_audit.faults import Fault
from fettlebook_audit.fetching import fetch
from fettlebook_audit.notes import NoteError
from fettlebook_audit.transport import Unanswered

from service_api.app import Store, create_app
from service_api.log.merkle import Frontier, leaf_hash
from service_api.ops.redraw import redraw
from service_api.wire.canonical import entry_text
from tests.conftest import FakeClock, client_with, new_book, settings_in, token_of

Where = tuple[str, int | None, int | None]


class Served:
    """The service as an auditor reaches it, without a socket; `old` answers stand in for its own."""

    def __init__(self, app: Any, token: str) -> None:
        self.client = client_with(app, token)
        self.old: dict[str, bytes] = {}

    def get(self, path: str, largest: int) -> bytes:
        if path in self.old:
            return self.old[path]
        answer = self.client.get(f"/v1/{path}", buffered=True)
        if answer.status_code != 200:
            raise Unanswered(path, answer.status_code, answer.status)
        assert len(answer.data) <= largest
        return answer.data


@dataclass
class Drill:
    """A prepared book, its auditor's copy, and papers in other hands; every drill has one of its own."""

    folder: Path
    token: str

    @property
    def data(self) -> Path:
        return self.folder / "data"

    @property
    def copy(self) -> Copy:
        return Copy(self.folder / "copy")

    @contextmanager
    def beneath(self) -> Iterator["Beneath"]:
        """The database with its seal taken off, which is put on again afterwards."""
        with closing(sqlite3.connect(self.data / "fettlebook.db")) as connection, connection:
            seal = connection.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
            for name, _ in seal:
                connection.execute(f"DROP TRIGGER {name}")
            yield Beneath(connection)
            for _, sql in seal:
                connection.execute(sql)

    @contextmanager
    def opened(self) -> Iterator[tuple[Store, Any]]:
        store = Store(settings_in(self.data), FakeClock())
        try:
            yield store, store.books()[0]
        finally:
            store.close()

    def redrawn(self) -> None:
        """As whoever covers the traces would leave it."""
        with self.opened() as (store, book):
            redraw(store, book)

    def audited(self, old: dict[str, bytes] | None = None) -> set[Where]:
        """What the auditor finds who goes on with the copy, asks again for all of it, and checks it."""
        with self.opened() as (store, _):
            served = Served(create_app(store), self.token)
            served.old = old or {}
            try:
                faults: list[Fault] = fetch(self.copy, served, everything=True).faults
            except NoteError:
                return {("badly signed", None, None)}
            return {(f.how, f.first, f.last) for f in (*faults, *checked(self.copy).faults)}

    def paper(self, name: str) -> Path:
        return self.folder / name


class Beneath:
    """A database that somebody edits by hand."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self.run = connection.execute

    def text(self, index: int) -> bytes:
        ((text,),) = self.run("SELECT hashed FROM entry WHERE log_index = ?", (index,)).fetchall()
        return bytes(text)

    def put(self, index: int, text: bytes) -> None:
        self.run("UPDATE entry SET hashed = ? WHERE log_index = ?", (text, index))

    def change(self, index: int, /, **members: Any) -> None:
        """Members of an entry, its text in canonical form again."""
        self.put(index, entry_text(json.loads(self.text(index)) | members))

    def leaf(self, index: int) -> None:
        """The leaf of what its text is now."""
        self.run("UPDATE receipt SET leaf = ? WHERE log_index = ?", (leaf_hash(self.text(index)), index))

    def drop(self, index: int, *tables: str) -> None:
        for table in tables:
            self.run(f"DELETE FROM {table} WHERE log_index = ?", (index,))

    def move(self, source: int, target: int) -> None:
        for table in ("entry", "receipt", "entry_id"):
            self.run(f"UPDATE {table} SET log_index = ? WHERE log_index = ?", (target, source))

    def size(self) -> int:
        return int(self.run("SELECT max(log_index) + 1 FROM entry").fetchone()[0])

    def remake(self) -> None:
        """Leaves, ids and head as they follow from the texts: who has the key signs them anew."""
        frontier, at = Frontier(), ""
        for index, text in self.run("SELECT log_index, hashed FROM entry ORDER BY log_index").fetchall():
            frontier.push(leaf_hash(text))
            self.leaf(index)
            entry = json.loads(text)
            at = max(at, entry["recorded_at"])
            sent = {k: v for k, v in entry.items() if k not in ("index", "seq", "recorded_at", "recorded_by", "signed")}
            digest = sha256(entry_text(sent)).digest()
            self.run("UPDATE entry_id SET digest = ? WHERE log_index = ?", (digest, index))
        head = (frontier.size, frontier.pack(), frontier.root(), at)
        self.run("UPDATE log_head SET size = ?, edge = ?, root = ?, recorded_at = ?", head)


def prepared(folder: Path, migrated: Path, entries: Callable[[int], list[Any]], sizes: tuple[int, int, int]) -> str:
    """A book in `folder`: old/ and data/ at the first and the last of these sizes, copy/ with what an auditor fetched
    of both, and papers of the size between: certificate.json, checkpoint.txt. Gives the auditor's token.
    """
    data = folder / "data"
    shutil.copytree(migrated, data)
    store = Store(settings_in(data), FakeClock())
    book = new_book(store, "drill.example/depot")
    app = create_app(store)
    admin = client_with(app, token_of(store, book, "admin"))
    token = token_of(store, book, "auditor")
    served = Served(app, token)
    copy = Copy(folder / "copy")
    told = entries(sizes[-1])
    done = 0
    for size in sizes:
        store.clock.advance(minutes=1)  # type: ignore[attr-defined]
        outcomes = admin.post("/v1/entries", json=told[done:size]).json["outcomes"]
        assert {201} == {o["status"] for o in outcomes}, outcomes
        done = size
        note = served.get("log/checkpoint", 10_000)
        if size == sizes[0]:
            copy.trust(str(store.keys(book).published()[-1].verifier))
            with closing(sqlite3.connect(data / "fettlebook.db")) as source:
                source.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            shutil.copytree(data, folder / "old")
            (folder / "old-checkpoint").write_bytes(note)
        if size == sizes[1]:
            root = note.split(b"\n")[2].decode()
            certificate = {"release": "REL-1", "book": {"index": size, "size": size, "root": root}}
            (folder / "certificate.json").write_text(json.dumps(certificate))
            (folder / "checkpoint.txt").write_bytes(note)
        else:
            assert [] == fetch(copy, served).faults
    assert [] == checked(copy).faults
    store.close()
    return token


def drill_in(source: Path, folder: Path, token: str) -> Drill:
    """A drill on a copy of a prepared book."""
    shutil.copytree(source, folder, dirs_exist_ok=True)
    return Drill(folder, token)


def said(answer: Any) -> SimpleNamespace:
    """What `fettlebook --json verify` came to: status, faults as (how, first, last), what needs an outside memory."""
    if not answer.stdout:
        raise answer.exception
    (book,) = json.loads(answer.stdout)["books"]
    faults = {(f["how"], f["first"], f["last"]) for f in book["faults"]}
    return SimpleNamespace(status=answer.exit_code, faults=faults, memory=list(book["needs_outside_memory"]))
