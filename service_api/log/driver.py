"""The few statements of an append and of a hot read, on the driver's own cursor.

They run inside the transaction of the SQLAlchemy connection that they are given. SQLAlchemy's own work is 40 to 60
microseconds a statement; an append has about ten of them and SQLite needs a tenth of that. Everything else is Core.
"""

from collections.abc import Iterable, Sequence
from functools import cache
from typing import Any

from sqlalchemy import Connection

Row = Sequence[Any]


@cache
def _style(sql: str, paramstyle: str) -> str:
    return sql if paramstyle == "qmark" else sql.replace("?", "%s")


def rows(connection: Connection, sql: str, parameters: Row = ()) -> list[Any]:
    """All rows of a query; `?` stands for a parameter on every store."""
    cursor = _cursor(connection)
    cursor.execute(_style(sql, connection.dialect.paramstyle), parameters)
    found: list[Any] = cursor.fetchall()
    return found


def change(connection: Connection, sql: str, parameters: Row = ()) -> int:
    """How many rows one statement changed."""
    cursor = _cursor(connection)
    cursor.execute(_style(sql, connection.dialect.paramstyle), parameters)
    return int(cursor.rowcount)


def change_many(connection: Connection, sql: str, parameters: Iterable[Row]) -> None:
    """One statement for many rows."""
    _cursor(connection).executemany(_style(sql, connection.dialect.paramstyle), list(parameters))


def listed(number: int) -> str:
    """`(?, ?, ?)` for an IN of so many values; few lengths, so that statements stay prepared."""
    return f"({','.join('?' * number)})"


def _cursor(connection: Connection) -> Any:
    driver = connection.connection.driver_connection
    if driver is None:
        raise RuntimeError("the connection is closed")
    return driver.cursor()
