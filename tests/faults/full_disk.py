"""A disk that gets full under a service, level by level, and a shop that goes on sending to it (B5)."""

import json
import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import create_engine, text
from werkzeug.test import TestResponse

from service_api.app import create_app
from tests import factories as f
from tests import postgres
from tests.conftest import client_with
from tests.faults.checks import Clients, faults
from tests.faults.harness import Ground, ground

DISK, SERVER_DISK = 8_000_000, 32_000_000  # bytes
BLOCK = 4096  # more at each level


class NoDisk(RuntimeError):
    """This machine mounts none for us."""


@contextmanager
def disk(folder: Path, size: int) -> Iterator[Path]:
    """A folder that is a disk of its own. Raises NoDisk where none can be mounted."""
    folder.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", str(folder)], capture_output=True, text=True
    )
    if mounted.returncode:
        raise NoDisk(f"no small disk for the test of a full one (it takes root): {mounted.stderr.strip()}")
    try:
        yield folder
    finally:
        subprocess.run(["umount", "--lazy", str(folder)], check=True)


class Shop:
    """The service on a prepared store, asked in this process; it remembers what it was told."""

    def __init__(self, on: Ground) -> None:
        self.on, self.clients = on, Clients()
        self.client = client_with(create_app(on.store), on.token)
        self.made = 1000
        self.noted = f.reading("0.20", id=f.entry_id(self.made))
        assert 201 == self.post(self.noted).status_code

    def post(self, raw: dict[str, Any]) -> TestResponse:
        answer = self.client.post("/v1/entries", data=json.dumps(raw), content_type="application/json")
        self.clients.sent[raw["id"]] = raw
        if answer.status_code in (200, 201):
            text = answer.data if answer.status_code == 201 else answer.data.removesuffix(b',"again":true}') + b"}"
            assert text == self.clients.acked.setdefault(raw["id"], text)
            self.clients.times.setdefault(raw["id"], (self.made, self.made))
        return answer

    def entry(self) -> dict[str, Any]:
        """A long note, so that the disk fills soon and the unit's state stays small."""
        self.made += 1
        return f.annotated(self.noted, "a word or two. " * 60, id=f.entry_id(self.made))

    def until_refused(self) -> tuple[dict[str, Any], TestResponse]:
        """Post entries until one is refused; that entry and the answer."""
        for _ in range(3000):
            raw = self.entry()
            answer = self.post(raw)
            if answer.status_code != 201:
                return raw, answer
        raise AssertionError("the disk never got full")

    def faults(self) -> list[str]:
        return faults(self.on.store, self.on.book, self.clients)

    def pragma(self, words: str) -> Any:
        """Said to the writing connection, outside any transaction."""
        pooled = self.on.store.writing.raw_connection()
        try:
            found = pooled.driver_connection.execute(f"PRAGMA {words}").fetchone()
        finally:
            pooled.close()
        return found and found[0]


@contextmanager
def shop_on(folder: Path, database: str | None = None) -> Iterator[Shop]:
    with ground(folder, database) as on:
        yield Shop(on)


def problem(answer: TestResponse) -> tuple[int, str]:
    return answer.status_code, answer.json["type"].rpartition("/")[2]


def reads_work(shop: Shop) -> bool:
    found = shop.client.get("/v1/units/U-1/condition")
    return found.status_code == 200 and bool(shop.client.get("/v1/feed?from=0").json["next"])


def filled(shop: Shop, folder: Path, levels: range, step: int) -> list[tuple[int, str]]:
    """Fill the disk to each of these levels, each time until an entry is refused; what was told each time."""
    told = []
    for level in levels:
        ballast = folder / "ballast"
        room = os.statvfs(folder)
        ballast.write_bytes(bytes(max(0, room.f_bavail * room.f_frsize - level * step)))
        raw, answer = shop.until_refused()
        told.append(problem(answer))
        assert reads_work(shop)
        ballast.unlink()
        assert [] == (shop.faults() if level % 5 == 0 else [])
        assert 201 == shop.post(raw).status_code, "no restart is needed, and the id was not used up"
    assert [] == shop.faults()
    return told


@contextmanager
def server_disk(postgresql: str) -> Iterator[tuple[Path, str]]:
    """(folder, URL of a database of this server, whose tables are on this small disk)."""
    with tempfile.TemporaryDirectory(prefix="disk-") as name, disk(Path(name) / "disk", SERVER_DISK) as folder:
        os.chmod(name, 0o755)  # the server's user has to come by
        shutil.chown(folder, *postgres.owner())
        admin = create_engine(postgresql, isolation_level="AUTOCOMMIT")
        with admin.connect() as connection:
            connection.execute(text(f"CREATE TABLESPACE small LOCATION '{folder}'"))
            connection.execute(text("CREATE DATABASE small TABLESPACE small"))
        yield folder, postgresql.rpartition("/")[0] + "/small"
        with admin.connect() as connection:
            connection.execute(text("DROP DATABASE small WITH (FORCE)"))
            connection.execute(text("DROP TABLESPACE small"))
        admin.dispose()
