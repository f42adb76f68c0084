"""Engines that keep what they acknowledge: SQLite with WAL and synchronous=FULL, or PostgreSQL.

One engine writes, another reads, so that a reader never waits for the writer's lock and never takes it.
"""

import os
from collections import deque
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager, nullcontext
from pathlib import Path
from threading import BoundedSemaphore
from typing import Any

from sqlalchemy import Engine, create_engine, event
from sqlalchemy.engine import make_url
from sqlalchemy.exc import DBAPIError

from service_api.log import driver
from service_api.log.seat import Seats

# Every statement here goes by a key. Compiling one gains nothing, and to plan it anew for its values takes a quarter of
# an append (measured: 3.2 ms with the server's own choice, 2.4 ms with plans that stay).
PLANS = "-c jit=off -c plan_cache_mode=force_generic_plan"
PAGE_SIZE = 4096  # an append changes a dozen pages, each of which is written whole
BUSY_SECONDS = 10
CHECKPOINT_PAGES = 8000  # 32 MB of WAL: pages that every append changes go into the file once in hundreds of appends
CACHE_KB = 8192  # of pages that the writing connection keeps
REMEMBERED = 1000  # answers
# connections of one process to a server, which grants a hundred to all of them
QUICK, READERS, WRITERS, APPENDERS = 8, 8, 2, 4


def writing_engine(url: str) -> Engine:
    """The engine for appends and changes. On SQLite every transaction takes the write lock at its start."""
    if not is_sqlite(url):
        return _server(url, pool_pre_ping=True, pool_size=WRITERS)
    engine = _durable(url)

    @event.listens_for(engine, "begin")
    def begin(connection: Any) -> None:
        if not connection.connection.driver_connection.in_transaction:  # one that the driver began is joined
            driver.change(connection, "BEGIN IMMEDIATE")

    return engine


def appending_engine(url: str) -> Engine:
    """The engine for appends on a server: `log/driver.py` says BEGIN and COMMIT itself, beside the statements."""
    return _server(url, isolation_level="AUTOCOMMIT", poolclass=Seats, pool_size=APPENDERS)


def _server(url: str, **more: Any) -> Engine:
    return create_engine(url, connect_args={"application_name": f"fettlebook {os.getpid()}", "options": PLANS}, **more)


def drawing_engine(url: str) -> Engine:
    """The engine for a redraw: it takes the write lock only in transactions begun with the option `swap`."""
    if not is_sqlite(url):
        return _server(url, pool_size=1, max_overflow=0)
    engine = _durable(url)

    @event.listens_for(engine, "begin")
    def begin(connection: Any) -> None:
        connection.exec_driver_sql("BEGIN IMMEDIATE" if connection.get_execution_options().get("swap") else "BEGIN")

    return engine


def _durable(url: str) -> Engine:
    """SQLite with one connection, on which a commit is on disk when it returns."""
    how = {"timeout": BUSY_SECONDS, "cached_statements": 256}
    engine = create_engine(
        url, connect_args=how, poolclass=Seats, pool_size=1, max_overflow=0, pool_timeout=BUSY_SECONDS
    )

    @event.listens_for(engine, "connect")
    def pragmas(connection: Any, _: Any) -> None:
        connection.isolation_level = None  # SQLAlchemy's events begin transactions, not the driver
        connection.execute(f"PRAGMA page_size={PAGE_SIZE}")
        connection.execute("PRAGMA journal_mode=WAL")
        connection.execute(f"PRAGMA wal_autocheckpoint={CHECKPOINT_PAGES}")
        connection.execute(f"PRAGMA cache_size=-{CACHE_KB}")
        connection.execute("PRAGMA synchronous=FULL")
        connection.execute("PRAGMA foreign_keys=ON")
        (level,) = connection.execute("PRAGMA synchronous").fetchone()
        if level != 2:
            raise RuntimeError("SQLite did not take synchronous=FULL; an acknowledged entry might not be on disk")

    return engine


def reading_engine(url: str) -> Engine:
    """The engine for questions: one snapshot for all the reads of an answer. On SQLite it is read-only."""
    if not is_sqlite(url):
        return _server(url, pool_pre_ping=True, isolation_level="REPEATABLE READ", pool_size=READERS, max_overflow=0)
    file = make_url(url).database
    engine = create_engine(
        f"sqlite:///file:{file}?mode=ro&uri=true", connect_args={"timeout": BUSY_SECONDS}, pool_size=32
    )

    @event.listens_for(engine, "connect")
    def pragmas(connection: Any, _: Any) -> None:
        connection.isolation_level = None
        connection.execute("PRAGMA query_only=ON")

    @event.listens_for(engine, "begin")
    def begin(connection: Any) -> None:
        connection.exec_driver_sql("BEGIN")  # one snapshot for all the reads of an answer

    return engine


Make = Callable[[list[Any]], Any]


def _as_they_are(rows: list[Any]) -> list[Any]:
    return rows


class QuickReader:
    """Single statements outside any transaction; each sees what was committed when it began, by whichever process.

    For what every request asks: a transaction of the engine costs ten times what a store needs for such a row. They run
    on driver connections of their own, one for each request at a time; many threads may ask.
    """

    def __init__(self, engine: Engine) -> None:
        self.engine = engine
        self._free: deque[Any] = deque()
        assert engine.dialect.dbapi is not None
        self._error: Any = engine.dialect.dbapi.Error
        self._seats: AbstractContextManager[Any] = nullcontext()
        self._rows: Callable[[Any, str, Sequence[Any]], list[Any]] = _fetched
        if engine.dialect.name != "sqlite":
            from service_api.log.postgresql import Line

            self._seats, self._rows = BoundedSemaphore(QUICK), Line.rows  # a hundred connections are for everybody

    def __call__(self, sql: str, parameters: Sequence[Any], make: Make = _as_they_are) -> Any:
        """What `make` makes of all rows; `?` stands for a parameter on every store."""
        with self._seats:
            return make(self._ask(sql, parameters))

    def _ask(self, sql: str, parameters: Sequence[Any]) -> list[Any]:
        own = self._free.pop() if self._free else None
        idle = own is not None
        own = own or self._connect()
        try:
            found = self._rows(own, sql, parameters)
        except self._error as error:
            if self.engine.dialect.is_disconnect(error, own, None):
                own.close()
                if idle:  # it broke while nobody used it
                    return self._ask(sql, parameters)
            else:
                self._free.append(own)
            raise DBAPIError.instance(sql, None, error, self._error, dialect=self.engine.dialect) from error
        self._free.append(own)
        return found

    def _connect(self) -> Any:
        """A connection as the engine makes them, that the pool no longer knows."""
        pooled = self.engine.raw_connection()
        own: Any = pooled.driver_connection
        pooled.detach()
        if self.engine.dialect.name == "sqlite":
            return own
        from service_api.log.postgresql import Line

        own.autocommit = True
        return Line(own)

    def close(self) -> None:
        while self._free:
            self._free.pop().close()


class Commits:
    """Counts what was committed on an engine with one connection, by SQLAlchemy: appends, whose transactions the driver
    ends, do not count."""

    def __init__(self, engine: Engine) -> None:
        self._number, self._ending = 0, False
        event.listen(engine, "commit", self._begun)
        event.listen(engine, "checkin", self._done)

    @property
    def number(self) -> int | None:
        """None from the beginning of a commit until its connection is given back, when everybody sees it."""
        return None if self._ending else self._number

    def _begun(self, _: Any) -> None:
        self._ending = True

    def _done(self, *_: Any) -> None:
        if self._ending:
            self._number, self._ending = self._number + 1, False


class Remembering:
    """Asks as `QuickReader` does, and keeps what was made of the rows until something was committed: for what no append
    changes, in a store that this process alone writes. Many threads may ask."""

    def __init__(self, ask: QuickReader, commits: Commits) -> None:
        self._ask, self._commits = ask, commits
        self._kept: dict[tuple[str, Sequence[Any]], tuple[int, Any]] = {}

    def __call__(self, sql: str, parameters: Sequence[Any], make: Make = _as_they_are) -> Any:
        """make : always the same for one statement"""
        number = self._commits.number
        kept = self._kept.get((sql, parameters))
        if kept is not None and kept[0] == number:
            return kept[1]
        found = make(self._ask(sql, parameters))
        if number is not None and self._commits.number == number:
            if len(self._kept) >= REMEMBERED:
                self._kept.clear()
            self._kept[sql, parameters] = (number, found)
        return found


class Recalling:
    """Asks as `QuickReader` does, and keeps what was made of the rows until it is told to forget: for who looks at it
    again under a lock, before it counts. Many threads may ask."""

    def __init__(self, ask: QuickReader) -> None:
        self._ask = ask
        self._kept: dict[tuple[str, Sequence[Any]], Any] = {}

    def __call__(self, sql: str, parameters: Sequence[Any], make: Make = _as_they_are) -> Any:
        """make : always the same for one statement; of nothing it makes nothing"""
        kept = self._kept.get((sql, parameters))
        if kept:
            return kept
        found = make(self._ask(sql, parameters))
        if found:
            if len(self._kept) >= REMEMBERED:
                self._kept.clear()
            self._kept[sql, parameters] = found
        return found

    def forget(self) -> None:
        self._kept.clear()


def _fetched(own: Any, sql: str, parameters: Sequence[Any]) -> list[Any]:
    found: list[Any] = own.execute(sql, parameters).fetchall()  # all of them: an open cursor holds a snapshot
    return found


def is_there(url: str) -> bool:
    """Whether an embedded store's file is there."""
    return Path(make_url(url).database or "").is_file()


def is_sqlite(url: str) -> bool:
    return make_url(url).get_backend_name() == "sqlite"
