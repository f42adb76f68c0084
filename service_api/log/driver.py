"""The few statements of an append and of a hot read, on the driver's own cursor.

They run inside the transaction of the SQLAlchemy connection that they are given. SQLAlchemy's own work is 40 to 60
microseconds a statement; an append has about ten of them and SQLite needs a tenth of that. Everything else is Core.
"""

import re
from collections.abc import Callable, Iterable, Sequence
from contextlib import ExitStack
from functools import cache
from typing import Any, Protocol, Self, TypeVar

from sqlalchemy import Connection, Engine
from sqlalchemy.exc import DBAPIError

from service_api.log.seat import Seats

Row = Sequence[Any]
T = TypeVar("T")
Ask = Callable[[str, Row], list[Any]]  # a query with `?` for its parameters; its rows
Query = tuple[str, Row]


class Missed(RuntimeError):
    """A change that has to find one row found none."""


class Changes(Protocol):
    """The changes of one transaction. On a server they wait and go out together: no two may be about one row unless
    one settles between.
    """

    def one(self, sql: str, row: Row) -> None:
        """One statement that has to change a row. Raises Missed, here or when it goes out; then nothing was changed."""

    def many(self, sql: str, rows: Iterable[Row]) -> None:
        """One statement for many rows."""

    def settle(self) -> None:
        """What was changed so far is there for the queries that follow."""

    def commit(self) -> None:
        """The changes are on their way; they are on disk when the transaction has ended."""


class Transaction(Protocol):
    """What lasts while it is entered, and began with some queries; the first takes the lock, where one is taken.

    found : the rows of each query
    """

    connection: Connection
    found: list[list[Any]]

    def __enter__(self) -> Self: ...

    def __exit__(self, kind: object, error: object, trace: object) -> None: ...


def transaction(engine: Engine, queries: Sequence[Query]) -> Transaction:
    """A transaction of the append: ended for good, or undone after an error."""
    return _Embedded(engine, queries) if engine.dialect.name == "sqlite" else _OnServer(engine, queries)


class _OnServer:
    """On a server a connection that broke while it lay idle is replaced by a new one."""

    def __init__(self, engine: Engine, queries: Sequence[Query]) -> None:
        self.engine, self.queries = engine, queries
        self.open = ExitStack()

    def __enter__(self) -> Self:
        self.connection, self.found = _begun(self.engine, self.queries)
        with ExitStack() as entered:
            entered.enter_context(self.connection)
            entered.enter_context(self.connection.begin())
            self.open = entered.pop_all()
        return self

    def __exit__(self, kind: Any, error: Any, trace: Any) -> None:
        self.open.__exit__(kind, error, trace)


class _Embedded:
    """The driver begins and ends it; SQLAlchemy joins if it is asked anything.

    Its own begin and commit take longer than the store does over the statements between, and so does its pool.
    """

    own: Any

    def __init__(self, engine: Engine, queries: Sequence[Query]) -> None:
        self.engine, self.queries, self.pool = engine, queries, engine.pool

    def __enter__(self) -> Self:
        left = self.pool.ready() if isinstance(self.pool, Seats) else None
        self.connection = left or self.engine.connect()
        own: Any = self.connection.connection.driver_connection
        self.own = own
        try:
            own.execute("BEGIN IMMEDIATE")
            self.found = [own.execute(sql, parameters).fetchall() for sql, parameters in self.queries]
        except own.Error as failed:
            error = wrapped(self.connection, "BEGIN IMMEDIATE", failed)
            self._end(own.rollback)
            raise error from failed
        except BaseException:
            self._end(own.rollback)
            raise
        return self

    def __exit__(self, kind: object, error: object, trace: object) -> None:
        joined = self.connection.in_transaction()
        if kind:
            self._end(self.connection.rollback if joined else self.own.rollback)
            return
        try:
            self.connection.commit() if joined else self._commit()
        except BaseException:
            self.connection.close()
            raise
        if not joined and isinstance(self.pool, Seats) and self.pool is self.engine.pool:
            self.pool.leave(self.connection)
        else:
            self.connection.close()

    def _commit(self) -> None:
        try:
            self.own.commit()
        except self.own.Error as failed:
            self.own.rollback()
            raise wrapped(self.connection, None, failed) from failed

    def _end(self, how: Callable[[], None]) -> None:
        try:
            how()
        finally:
            self.connection.close()


def _begun(engine: Engine, queries: Sequence[Query]) -> tuple[Connection, list[list[Any]]]:
    from service_api.log import postgresql

    while True:
        connection = engine.connect()
        idle = "line" in connection.info  # it has served before, so that it may have broken since
        try:
            return connection, postgresql.begin(connection, queries)
        except DBAPIError as error:
            connection.close()
            if not (idle and error.connection_invalidated):
                raise
            engine.dispose()
        except BaseException:
            connection.close()
            raise


def changes(connection: Connection) -> Changes:
    """Where the changes of this connection's transaction are put."""
    if connection.dialect.name == "sqlite":
        return _AtOnce(connection)
    from service_api.log.postgresql import Together

    return Together(connection)


class _AtOnce:
    """Nothing waits: a statement of the embedded store costs no round trip."""

    def __init__(self, connection: Connection) -> None:
        self.connection = connection
        self.own: Any = connection.connection.driver_connection

    def one(self, sql: str, row: Row) -> None:
        if self._run(sql, row).rowcount != 1:
            raise Missed(sql)

    def many(self, sql: str, rows: Iterable[Row]) -> None:
        """Row by row the driver would let go of the interpreter, and the threads that take it keep it for a while."""
        waiting = rows if isinstance(rows, list) else list(rows)
        while len(waiting) > 1:
            number = min(MOST_ROWS, 1 << (len(waiting).bit_length() - 1))
            some, waiting = waiting[:number], waiting[number:]
            self._run(_several(sql, number), [value for row in some for value in row])
        if waiting:
            self._run(sql, waiting[0])

    def _run(self, sql: str, parameters: Any) -> Any:
        try:
            return self.own.execute(sql, parameters)
        except self.own.Error as error:
            raise wrapped(self.connection, sql, error) from error

    def settle(self) -> None:
        """Everything is there already."""

    def commit(self) -> None:
        """The transaction's end does it."""


MOST_ROWS = 256  # in one statement


@cache
def _several(sql: str, number: int) -> str:
    """The statement with so many rows of values in the place of one; a power of two, so that few are prepared."""
    return _VALUES.sub(lambda row: "VALUES " + ", ".join([row[1]] * number), sql)


_VALUES = re.compile(r"VALUES (\(\?(?:, \?)*\))")


@cache
def styled(sql: str, paramstyle: str) -> str:
    """The statement with the driver's own sign for a parameter."""
    return sql if paramstyle == "qmark" else sql.replace("?", "%s")


def rows(connection: Connection, sql: str, parameters: Row = ()) -> list[Any]:
    """All rows of a query; `?` stands for a parameter on every store."""

    def fetched(cursor: Any, text: str) -> list[Any]:
        cursor.execute(text, parameters)
        found: list[Any] = cursor.fetchall()
        return found

    return _run(connection, sql, fetched)


def change(connection: Connection, sql: str, parameters: Row = ()) -> int:
    """How many rows one statement changed."""

    def changed(cursor: Any, text: str) -> int:
        cursor.execute(text, parameters)
        return int(cursor.rowcount)

    return _run(connection, sql, changed)


def change_many(connection: Connection, sql: str, parameters: Iterable[Row]) -> None:
    """One statement for many rows."""
    _run(connection, sql, lambda cursor, text: cursor.executemany(text, list(parameters)))


@cache
def _in(number: int) -> str:
    return f"IN ({','.join('?' * number)})"


def parts(dialect: str, values: Sequence[bytes] | Sequence[str]) -> list[tuple[str, Row]]:
    """What a query says to ask for any of these values, and its parameters; several when one takes no more."""
    if dialect == "sqlite":
        some = [values[at : at + 500] for at in range(0, len(values), 500)]
        return [(_in(len(part)), part) for part in some]
    return [("= ANY(?)", (list(values),))] if values else []


def _run(connection: Connection, sql: str, work: Callable[[Any, str], T]) -> T:
    """What `work` does with a cursor; errors come out as SQLAlchemy's own, as those of every other statement do."""
    driver, dialect = connection.connection.driver_connection, connection.dialect
    if driver is None or dialect.dbapi is None:
        raise RuntimeError("the connection is closed")
    try:
        cursor = driver.cursor()
        done = work(cursor, styled(sql, dialect.paramstyle))
        cursor.close()
    except dialect.dbapi.Error as error:
        raise wrapped(connection, sql, error) from error
    return done


def wrapped(connection: Connection, sql: str | None, error: Any) -> Any:
    """A driver's error as SQLAlchemy's own, to be raised. A connection that broke is never used again."""
    dialect, dbapi = connection.dialect, connection.dialect.dbapi
    assert dbapi is not None
    broken = dialect.is_disconnect(error, connection.connection.dbapi_connection, None)
    found = DBAPIError.instance(sql, None, error, dbapi.Error, connection_invalidated=broken, dialect=dialect)
    if broken:
        connection.invalidate(error)
    return found
