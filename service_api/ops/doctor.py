"""What is wrong with this installation, or may be: one finding after the other, and what would put it right.

Nothing is made or changed. What cannot be judged from here says so.
"""

import importlib.metadata
import json
import os
import platform
import shutil
import sqlite3
import stat
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from sqlalchemy import Engine
from sqlalchemy.engine import make_url

from service_api.app import Store, newest_revision
from service_api.log.engines import is_sqlite
from service_api.log.holding import Holder, StoreHeld, holder
from service_api.ops import commands
from service_api.settings import KNOWN, Settings

MENDED = (3, 51, 3)  # SQLite: no corruption of a WAL by several connections that write or checkpoint at once
BROKEN_SINCE = (3, 7, 0)
LEAST_FREE = 256 * 1024 * 1024  # bytes; common practice, no source
OTHERS_WRITE = stat.S_IWGRP | stat.S_IWOTH
OTHERS_READ = stat.S_IRGRP | stat.S_IROTH


@dataclass(frozen=True)
class Finding:
    """One thing that was looked at. `do` says what would put it right."""

    what: str
    status: Literal["ok", "note", "wrong", "not judged"]
    says: str
    do: str = ""


Findings = Iterable[Finding]


def examine(settings: Settings, environment: Mapping[str, str]) -> list[Finding]:
    """Everything that was looked at; a check that itself fails is not judged, and the others go on."""
    from service_api.ops.doctor_stores import embedded, server

    checks: dict[str, Callable[[], Findings]] = {
        "Python": _python,
        "settings": lambda: _settings(settings, environment),
        "extras": lambda: _extras(settings),
        "folder": lambda: _folder(settings),
        "disk": lambda: _disk(settings),
        "store": lambda: (embedded if is_sqlite(settings.database) else server)(settings),
    }
    found: list[Finding] = []
    for what, check in checks.items():
        try:
            found.extend(check())
        except Exception as error:
            found.append(Finding(what, "not judged", f"{type(error).__name__}: {error}"))
    return found


def masked(url: str) -> str:
    """The URL of a store without its secrets."""
    parsed = make_url(url)
    secret = {name: "***" for name in parsed.query if "pass" in name.lower()}
    return parsed.update_query_dict(secret).render_as_string(hide_password=True)


def _python() -> Iterator[Finding]:
    enough = sys.version_info >= (3, 11)
    do = "" if enough else "install Python 3.11 or newer"
    yield Finding("Python", "ok" if enough else "wrong", f"{platform.python_version()} at {sys.executable}", do)


def _settings(settings: Settings, environment: Mapping[str, str]) -> Iterator[Finding]:
    values = {
        "data": str(settings.data),
        "database": masked(settings.database),
        "zone": settings.zone,
        "public_log": settings.public_log,
    }
    for name, value in values.items():
        yield Finding(f"setting {name}", "ok", f"{value} (from {settings.sources.get(name, 'default')})")
    known = {*KNOWN, "FETTLEBOOK_TOKEN"}  # the latter is the puller's
    for name in sorted(environment):
        if name.startswith("FETTLEBOOK_") and name not in known:
            yield Finding(f"setting {name}", "note", "no such setting; it is not followed")


def _extras(settings: Settings) -> Iterator[Finding]:
    for extra, names in _declared().items():
        missing = [name for name in names if not _installed(name)]
        needed = extra == "server" and not is_sqlite(settings.database)
        if not missing:
            yield Finding(f"extra {extra}", "ok", "installed")
        else:
            do = f"pip install 'fettlebook[{extra}]'"
            says = f"without {', '.join(missing)}"
            yield Finding(f"extra {extra}", "wrong" if needed else "note", says, do)


def _declared() -> dict[str, list[str]]:
    """extra -> names of the distributions that it wants"""
    found: dict[str, list[str]] = {}
    for line in importlib.metadata.requires("fettlebook") or ():
        wanted, _, marker = line.partition(";")
        extra = marker.partition("extra == ")[2].strip(" '\"")
        if extra and extra != "test":
            name = wanted.split("[")[0]
            for sign in "<>=!~ ":
                name = name.split(sign)[0]
            found.setdefault(extra, []).append(name)
    return found


def _installed(name: str) -> bool:
    try:
        importlib.metadata.version(name)
    except importlib.metadata.PackageNotFoundError:
        return False
    return True


def _folder(settings: Settings) -> Iterator[Finding]:
    folder = settings.data
    if not folder.is_dir():
        yield Finding("folder", "note", f"{folder} is not there yet; the first command that writes makes it")
        return
    if not os.access(folder, os.W_OK | os.X_OK):
        yield Finding("folder", "wrong", f"{folder} cannot be written by this user", "run as its owner")
    owner = folder.stat().st_uid
    for path in [folder, *_ours(settings)]:
        yield from _permissions(path, owner)


def _ours(settings: Settings) -> Iterator[Path]:
    """The files of the service that are there, but for the attachments."""
    files = [settings.data / "fettlebook.toml", settings.data / commands.NAME, settings.attachments]
    if is_sqlite(settings.database):
        database = make_url(settings.database).database or ""
        files += [Path(database + end) for end in ("", "-wal", "-shm", ".lock")]
    files += [settings.keys, *sorted(settings.keys.glob("*.key"))]
    return (path for path in files if path.exists())


def _permissions(path: Path, owner: int) -> Iterator[Finding]:
    found = path.stat()
    mode = stat.S_IMODE(found.st_mode)
    what, says = f"file {path.name}", f"mode {mode:03o}"
    if found.st_uid != owner:
        words = f"belongs to user {found.st_uid}, the folder to user {owner}"
        yield Finding(what, "wrong", words, f"chown {owner} {path}")
    if path.suffix == ".key" and mode & (OTHERS_WRITE | OTHERS_READ):
        do = f"chmod 600 {path}, and `fettlebook key rotate`: it may be known"
        yield Finding(
            what, "wrong", f"{says}: a signing key is its owner's alone, and signs nothing while it is not", do
        )
    elif mode & OTHERS_WRITE or (stat.S_ISSOCK(found.st_mode) and mode & OTHERS_READ):
        yield Finding(what, "wrong", f"{says}: others may write to it", f"chmod go-w {path}")
    elif mode & OTHERS_READ and not path.is_dir() and path.parent.stat().st_mode & stat.S_IXOTH:
        yield Finding(what, "note", f"{says}: other users of this machine may read it", f"chmod go-rwx {path}")
    else:
        yield Finding(what, "ok", says)


def _disk(settings: Settings) -> Iterator[Finding]:
    place = next(p for p in (settings.data, *settings.data.parents) if p.exists())
    free = shutil.disk_usage(place).free
    says = f"{free / 1e9:.1f} GB free at {place}"
    if free < LEAST_FREE:
        yield Finding("disk", "wrong", says, "make room before it is full: then nothing can be recorded")
    else:
        yield Finding("disk", "ok", says)


def library(version: tuple[int, ...] = sqlite3.sqlite_version_info) -> Finding:
    """The SQLite that is linked, and the risk that it carries."""
    says = ".".join(map(str, version))
    if BROKEN_SINCE <= version < MENDED:
        says += (
            "; from 3.7.0 to 3.51.2 a WAL may, rarely, be corrupted when several connections write or checkpoint at"
            " once. Here that does not come up: one process holds the store, one connection writes, readers open"
            " read-only. Keep other programs from writing to the file"
        )
    return Finding("SQLite library", "ok", says)


def synchronous(engine: Engine) -> int:
    """What a connection of this engine has; 2 is FULL."""
    pooled = engine.raw_connection()
    try:
        cursor = pooled.cursor()
        cursor.execute("PRAGMA synchronous")
        (level,) = cursor.fetchone() or (0,)
    finally:
        pooled.close()
    return int(level)


# What only the process that holds the store can say


def holder_says(call: Any, store: Store) -> None:
    """The state of the writing connection and of the clock, as the holder sees them."""
    said = {"synchronous": synchronous(store.writing), "clock": store.clock_doubt(), "revision": newest_revision()}
    call.say(said, json.dumps(said))


def heard(who: Holder) -> dict[str, Any]:
    """What the holder says. Raises OSError when it does not."""
    lines: list[dict[str, Any]] = []
    request: dict[str, Any] = {"command": "holder_says", "book": None, "json": True, "given": {}}
    answer = commands.ask(who.socket, request, lines.append)
    if answer["status"] or not lines:
        raise OSError(answer.get("words", "it said nothing"))
    found: dict[str, Any] = json.loads(lines[0]["said"])
    return found


def holding(settings: Settings) -> tuple[Finding, Holder | None]:
    try:
        who = holder(settings.database)
    except StoreHeld as held:
        return Finding("holder", "note", str(held)), None
    if who is None:
        return Finding("holder", "ok", "nobody holds the store"), None
    takes = "takes commands" if who.socket else "takes no commands"
    return Finding("holder", "ok", f"{who} holds the store and {takes}"), who
