"""The few statements of an append and of a hot read, on the driver's own cursor.

They run inside the transaction of the SQLAlchemy connection that they are given. SQLAlchemy's own work is 40 to 60
microseconds a statement; an append has about ten of them and SQLite needs a tenth of that. Everything else is Core.
"""

from collections.abc import Callable, Iterable, Sequence
from functools import cache
from typing import Any, TypeVar

from sqlalchemy import Connection
from sqlalchemy.exc import DBAPIError

Row = Sequence[Any]
T = TypeVar("T")
Ask = Callable[[str, Row], list[Any]]  # a query with `?` for its parameters; its rows


@cache
def _style(sql: str, paramstyle: str) -> str:
    return sql if paramstyle == "qmark" else sql.replace("?", "%s")


def rows(connection: Connection, sql: str, parameters: Row = ()) -> list[Any]:
    """All rows of a query; `?` stands for a parameter on every store."""

    def fetched(cursor: Any, styled: str) -> list[Any]:
        cursor.execute(styled, parameters)
        found: list[Any] = cursor.fetchall()
        return found

    return _run(connection, sql, fetched)


def change(connection: Connection, sql: str, parameters: Row = ()) -> int:
    """How many rows one statement changed."""

    def changed(cursor: Any, styled: str) -> int:
        cursor.execute(styled, parameters)
        return int(cursor.rowcount)

    return _run(connection, sql, changed)


def change_many(connection: Connection, sql: str, parameters: Iterable[Row]) -> None:
    """One statement for many rows."""
    _run(connection, sql, lambda cursor, styled: cursor.executemany(styled, list(parameters)))


def listed(number: int) -> str:
    """`(?, ?, ?)` for an IN of so many values; few lengths, so that statements stay prepared."""
    return f"({','.join('?' * number)})"


def _run(connection: Connection, sql: str, work: Callable[[Any, str], T]) -> T:
    """What `work` does with a cursor; errors come out as SQLAlchemy's own, as those of every other statement do."""
    driver, dialect = connection.connection.driver_connection, connection.dialect
    if driver is None or dialect.dbapi is None:
        raise RuntimeError("the connection is closed")
    try:
        cursor = driver.cursor()
        done = work(cursor, _style(sql, dialect.paramstyle))
        cursor.close()
    except dialect.dbapi.Error as error:
        raise DBAPIError.instance(sql, None, error, dialect.dbapi.Error, dialect=dialect) from error
    return done
