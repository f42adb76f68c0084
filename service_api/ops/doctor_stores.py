"""The doctor's questions to a store: an embedded one, and one on a server."""

import tempfile
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, text
from sqlalchemy.exc import DBAPIError

from service_api.app import confirmed_reading, counting_clock, newest_revision, store_revision, wall_clock
from service_api.clocks import ClockWatch, Reading
from service_api.domain.refusals import ClockDoubt
from service_api.log import confirmed
from service_api.log import store as log
from service_api.log.engines import PAGE_SIZE, is_there, reading_engine, writing_engine
from service_api.log.tables import SEALED
from service_api.ops.doctor import Finding, heard, holding, library, synchronous
from service_api.settings import Settings

FULL = 2  # PRAGMA synchronous
SEALS = {f"{table}_{what}" for table in SEALED for what in ("no_update", "no_delete", "next")}
CONFIRM = "set the machine's clock right, then say `fettlebook clock confirm`"
# Each is a setting of the server that has to be on, else what was acknowledged may be lost.
DURABLE = ("fsync", "full_page_writes", "synchronous_commit")


def embedded(settings: Settings) -> Iterator[Finding]:
    yield library()
    if not is_there(settings.database):
        yield Finding("store", "not judged", "there is none yet: `fettlebook book new ORIGIN` or `demo` makes it")
        return
    held, who = holding(settings)
    yield held
    said: dict[str, Any] = {}
    if who is not None and who.socket:
        try:
            said = heard(who)
        except OSError as error:
            yield Finding("holder", "wrong", f"{who} does not answer: {error}", "look at its log, or start it again")
    yield _synchronous(said)
    engine = reading_engine(settings.database)
    try:
        yield from _file(engine)
        if store_revision(engine) != newest_revision():
            yield Finding("clock", "not judged", "the tables are another revision's")
        elif who is None:
            yield from _clock(engine)
        elif said:
            yield _believed(said["clock"])
        else:
            yield Finding("clock", "not judged", "only the holder of the store can say")
    except DBAPIError as error:
        yield Finding("store", "wrong", f"it cannot be read: {error.orig}", "restore a backup beside it; keep the file")
    finally:
        engine.dispose()


def _synchronous(said: dict[str, Any]) -> Finding:
    level, whose = said.get("synchronous"), "on the writing connection"
    if level is None:
        level, whose = _taken(), "taken by this library; it is checked at each start"
    if level == FULL:
        return Finding("synchronous", "ok", f"FULL, {whose}")
    return Finding("synchronous", "wrong", f"{level}, not FULL (2)", "use an SQLite library that takes it")


def _taken() -> int:
    """What a writing connection of this library has, tried on a store that is thrown away."""
    with tempfile.TemporaryDirectory() as folder:
        engine = writing_engine(f"sqlite:///{Path(folder) / 'probe.db'}")
        try:
            return synchronous(engine)
        finally:
            engine.dispose()


def _file(engine: Engine) -> Iterator[Finding]:
    yield _revision(engine, "`fettlebook migrate`, or the next `serve`, brings them there")
    with engine.connect() as connection:
        (mode,) = connection.exec_driver_sql("PRAGMA journal_mode").one()
        (size,) = connection.exec_driver_sql("PRAGMA page_size").one()
        there = set(connection.exec_driver_sql("SELECT name FROM sqlite_master WHERE type = 'trigger'").scalars())
    do = "" if mode == "wal" else "stop whatever set it otherwise; the next start sets it"
    yield Finding("journal mode", "ok" if mode == "wal" else "wrong", mode, do)
    yield Finding("page size", "ok" if size == PAGE_SIZE else "note", f"{size} bytes, new stores have {PAGE_SIZE}")
    yield _sealed(SEALS - there)


def _sealed(missing: set[str]) -> Finding:
    if missing:
        return Finding("seals", "wrong", f"missing: {', '.join(sorted(missing))}", "restore a backup, compare its root")
    return Finding("seals", "ok", f"{', '.join(SEALED)} take no update and no delete")


def _revision(engine: Engine, do: str) -> Finding:
    found, wanted = store_revision(engine), newest_revision()
    if found == wanted:
        return Finding("tables", "ok", f"at revision {found}")
    return Finding("tables", "wrong", f"at revision {found}, this code wants {wanted}", do)


def _clock(engine: Engine) -> Iterator[Finding]:
    """Nobody runs: what a start now would say."""
    reading = Reading(wall_clock(), counting_clock())
    for doubt in _doubts(engine, reading):
        yield _believed(doubt)
        return
    yield _believed("")


def _doubts(engine: Engine, reading: Reading) -> Iterator[str]:
    with engine.begin() as connection:
        for book in log.books(connection):
            if not book.simulated:
                said = confirmed.last_confirmed(connection, book.number)
                kept = confirmed_reading(said) if said else None
                watch = ClockWatch(reading, partial(_same, kept), confirmed.not_before(connection, book.number))
                try:
                    watch.check(*reading)
                except ClockDoubt as doubt:
                    yield doubt.detail


def _same(kept: Reading | None) -> Reading | None:
    return kept


def _believed(doubt: str) -> Finding:
    return Finding("clock", "wrong", doubt, CONFIRM) if doubt else Finding("clock", "ok", "is believed")


# A server


def server(settings: Settings) -> Iterator[Finding]:
    engine = reading_engine(settings.database)
    try:
        with engine.connect() as connection:
            version = connection.execute(text("SHOW server_version")).scalar_one()
            yield Finding("PostgreSQL", "ok", str(version))
            yield from _durable(connection)
            yield from _rights(connection)
        at = _revision(engine, "run `fettlebook migrate --database URL` as their owner")
        yield at
        if at.status == "ok":
            yield from _clock(engine)
        yield Finding("clock of running services", "not judged", "each keeps its own watch: ask its /readyz")
    except DBAPIError as error:
        yield Finding("store", "wrong", f"it cannot be read: {error.orig}", "see that the server runs and lets us in")
    finally:
        engine.dispose()


def _durable(connection: Connection) -> Iterator[Finding]:
    for name in DURABLE:
        value = str(connection.execute(text(f"SHOW {name}")).scalar_one())
        kept = value in ("on", "remote_apply", "remote_write", "local")
        says = value if kept else f"{value}: what was acknowledged may be lost with the power"
        yield Finding(name, "ok" if kept else "wrong", says, "" if kept else f"set {name} = on")


OWNED = """
SELECT CAST(c.relname AS text) FROM pg_class c JOIN pg_namespace n ON n.oid = c.relnamespace
WHERE n.nspname = current_schema() AND CAST(c.relname AS text) = ANY(CAST(:names AS text[]))
  AND pg_has_role(current_user, c.relowner, 'MEMBER')
"""
MAY = """
SELECT t, p FROM unnest(CAST(:names AS text[])) t, unnest(CAST(:rights AS text[])) p WHERE has_table_privilege(t, p)
"""
TRIGGERS = """
SELECT CAST(c.relname AS text) FROM pg_class c JOIN pg_namespace n ON n.oid = c.relnamespace
WHERE n.nspname = current_schema() AND CAST(c.relname AS text) = ANY(CAST(:names AS text[]))
  AND EXISTS (SELECT 1 FROM pg_trigger g WHERE g.tgrelid = c.oid AND NOT g.tgisinternal AND g.tgenabled <> 'D')
"""


def _rights(connection: Connection) -> Iterator[Finding]:
    """The service's role: neither owner nor able to become one, so that it cannot drop a trigger."""
    names = {"names": list(SEALED)}
    role, is_super = connection.execute(
        text("SELECT current_user, rolsuper FROM pg_roles WHERE rolname = current_user")
    ).one()
    if is_super:
        do = "give the service a role of its own, and FETTLEBOOK_DATABASE its URL"
        yield Finding("role", "wrong", f"{role} is a superuser: no seal holds it", do)
        return
    owned = sorted(connection.execute(text(OWNED), names).scalars())
    rights = {"rights": ["UPDATE", "DELETE", "TRUNCATE", "TRIGGER"]}
    sealed = set(connection.execute(text(TRIGGERS), names).scalars())
    if not sealed:
        yield Finding("role", "not judged", f"{role} sees none of the sealed tables")
        return
    if owned:
        do = "let another role own the tables, and migrate as that role"
        yield Finding("role", "wrong", f"{role} owns {', '.join(owned)} and may drop their seals", do)
    else:
        may = sorted(f"{p} on {t}" for t, p in connection.execute(text(MAY), names | rights))
        says = f"{role} owns no sealed table" + (f", but may {', '.join(may)}" if may else "")
        yield Finding("role", "wrong" if may else "ok", says, "revoke these rights" if may else "")
    yield _sealed({f"{table}_sealed" for table in set(SEALED) - sealed})
