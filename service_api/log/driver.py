"""The few statements of an append and of a hot read, on the driver's own cursor.

They run inside the transaction of the SQLAlchemy connection that they are given. SQLAlchemy's own work is 40 to 60
microseconds a statement; an append has about ten of them and SQLite needs a tenth of that. Everything else is Core.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from functools import cache
from typing import Any

from sqlalchemy import Connection
from sqlalchemy.exc import DBAPIError

Row = Sequence[Any]
Ask = Callable[[str, Row], list[Any]]  # a query with `?` for its parameters; its rows


@cache
def _style(sql: str, paramstyle: str) -> str:
    return sql if paramstyle == "qmark" else sql.replace("?", "%s")


def rows(connection: Connection, sql: str, parameters: Row = ()) -> list[Any]:
    """All rows of a query; `?` stands for a parameter on every store."""
    with _cursor(connection, sql) as cursor:
        cursor.execute(_style(sql, connection.dialect.paramstyle), parameters)
        found: list[Any] = cursor.fetchall()
    return found


def change(connection: Connection, sql: str, parameters: Row = ()) -> int:
    """How many rows one statement changed."""
    with _cursor(connection, sql) as cursor:
        cursor.execute(_style(sql, connection.dialect.paramstyle), parameters)
        return int(cursor.rowcount)


def change_many(connection: Connection, sql: str, parameters: Iterable[Row]) -> None:
    """One statement for many rows."""
    with _cursor(connection, sql) as cursor:
        cursor.executemany(_style(sql, connection.dialect.paramstyle), list(parameters))


def listed(number: int) -> str:
    """`(?, ?, ?)` for an IN of so many values; few lengths, so that statements stay prepared."""
    return f"({','.join('?' * number)})"


@contextmanager
def _cursor(connection: Connection, sql: str) -> Iterator[Any]:
    """A cursor whose errors come out as SQLAlchemy's own, as those of every other statement do."""
    driver, dialect = connection.connection.driver_connection, connection.dialect
    if driver is None or dialect.dbapi is None:
        raise RuntimeError("the connection is closed")
    try:
        cursor = driver.cursor()
        yield cursor
        cursor.close()
    except dialect.dbapi.Error as error:
        raise DBAPIError.instance(sql, None, error, dialect.dbapi.Error, dialect=dialect) from error
