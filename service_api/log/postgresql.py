"""PostgreSQL: what an append sends, in as few round trips as can be.

A transaction of an append is begun together with its first queries, of which the very first takes the book's lock; its
changes wait until somebody has to see them, and go out in one statement, the last of them together with the COMMIT.
Rows go in as arrays, a column each, in the binary form of array_send: a statement's text stays the same however many
rows it brings, so that it stays prepared.
"""

import re
import struct
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import psycopg
from psycopg.adapt import Buffer, Dumper
from psycopg.pq import ExecStatus, Format
from sqlalchemy import Connection

from service_api.log.driver import Missed, Query, Row, styled, wrapped


class Type(NamedTuple):
    """Of a column: its object id, that of its array, and how many bytes a number of it has; 0 for text and bytes."""

    oid: int
    array: int
    size: int


# https://www.postgresql.org/docs/current/catalog-pg-type.html: bytea, int8, int4, text
TYPES = {t.oid: t for t in (Type(17, 1001, 0), Type(20, 1016, 8), Type(23, 1007, 4), Type(25, 1009, 0))}
NULL = struct.pack("!i", -1)
VALUES = re.compile(r"VALUES \(\?(?:, \?)*\)")


@dataclass(frozen=True, slots=True)
class Array:
    """A column of rows as the server takes it: its array type, and the bytes of array_send."""

    type: int
    sent: bytes


def array(kind: Type, values: Sequence[Any]) -> Array:
    """One dimension, counted from 1; each value behind its length, -1 for none."""
    parts = [struct.pack("!5i", 1, 1, kind.oid, len(values), 1)]
    for value in values:
        if value is None:
            parts.append(NULL)
        elif kind.size:
            parts.append(struct.pack("!iq" if kind.size == 8 else "!ii", kind.size, value))
        else:
            sent = value.encode() if isinstance(value, str) else value
            parts += (struct.pack("!i", len(sent)), sent)
    return Array(kind.array, b"".join(parts))


def byte_array(values: Sequence[bytes]) -> Array:
    return array(TYPES[17], values)


class _ArrayDumper(Dumper):
    """Gives what `array` made to the server as it is."""

    format = Format.BINARY

    def get_key(self, obj: Array, format: Any) -> Any:
        return (self.cls, obj.type)

    def upgrade(self, obj: Array, format: Any) -> "_ArrayDumper":
        typed = type(self)(self.cls)
        typed.oid = obj.type
        return typed

    def dump(self, obj: Array) -> Buffer:
        return obj.sent


psycopg.adapters.register_dumper(Array, _ArrayDumper)


def begin(connection: Connection, queries: Sequence[Query]) -> list[list[Any]]:
    """BEGIN and the rows of these queries, in one round trip; the connection is one that begins nothing by itself."""
    driver = _driver(connection)
    try:
        with driver.pipeline():
            driver.execute("BEGIN")
            cursors = [driver.execute(styled(sql, "pyformat"), parameters) for sql, parameters in queries]
            found = [cursor.fetchall() for cursor in cursors]
    except psycopg.Error as error:
        raise wrapped(connection, queries[0][0], error) from error
    connection.info["idle"] = True  # when it is asked the next time
    return found


class Together:
    """Changes that wait for `settle` or `commit`; no two of them may be about the same row unless one settles between.

    The changes of one statement do not see one another.
    """

    def __init__(self, connection: Connection) -> None:
        self.connection = connection
        self._one: list[tuple[str, Row]] = []
        self._many: dict[str, list[Row]] = {}

    def one(self, sql: str, row: Row) -> None:
        self._one.append((sql, row))

    def many(self, sql: str, rows: Iterable[Row]) -> None:
        self._many.setdefault(sql, []).extend(rows)

    def settle(self) -> None:
        """What was changed so far is there for the queries that follow."""
        statement = self._statement()
        if statement is None:
            return
        try:
            _driver(self.connection).execute(*statement)
        except psycopg.errors.DivisionByZero as error:
            raise Missed(statement[0]) from error
        except psycopg.Error as error:
            raise wrapped(self.connection, statement[0], error) from error

    def commit(self) -> None:
        """The rest of the changes and the COMMIT in one round trip; they are on disk when this returns."""
        driver, statement = _driver(self.connection), self._statement()
        changes = None
        try:
            with driver.pipeline():
                if statement is not None:
                    changes = driver.execute(*statement)
                end = driver.execute("COMMIT")
        except psycopg.errors.DivisionByZero as error:
            raise Missed("a change found no row") from error
        except psycopg.Error as error:
            # without the first one's result nothing came to the COMMIT, which the server then skips
            failed = (
                statement[0] if statement is not None and changes is not None and changes.pgresult is None else None
            )
            raise wrapped(self.connection, failed, error) from error
        if end.statusmessage != "COMMIT":
            raise RuntimeError(f"the transaction ended with {end.statusmessage}")

    def _statement(self) -> tuple[str, list[Any]] | None:
        """One statement with everything that waits. It fails as a whole when a change of `one` finds no row."""
        if not self._one and not self._many:
            return None
        parts: list[str] = []
        checks: list[str] = []
        parameters: list[Any] = []
        for n, (sql, row) in enumerate(self._one):
            parts.append(f"one{n} AS ({sql.replace('?', '%s')} RETURNING 1)")
            checks.append(f"1 / (SELECT count(*) FROM one{n})")  # by none: the server's own error ends it all
            parameters += row
        for n, (sql, rows) in enumerate(self._many.items()):
            parts.append(f"many{n} AS ({self._inserting(sql, rows)})")
            parameters += (
                rows[0] if len(rows) == 1 else map(array, _types(self.connection, sql), zip(*rows, strict=True))
            )
        self._one, self._many = [], {}
        return f"WITH {', '.join(parts)} SELECT {', '.join(checks) or '1'}", parameters

    @staticmethod
    def _inserting(sql: str, rows: Sequence[Row]) -> str:
        if len(rows) > 1:
            columns = ", ".join("?" * len(rows[0]))
            sql = VALUES.sub(f"SELECT * FROM unnest({columns})", sql, count=1)
        return sql.replace("?", "%s")


_known: dict[str, list[Type]] = {}  # statement -> the types of its parameters; they hold as long as the tables do


def _types(connection: Connection, sql: str) -> list[Type]:
    found = _known.get(sql)
    if found is None:
        asked = _driver(connection).pgconn
        numbered, count = sql, sql.count("?")
        for n in range(count):
            numbered = numbered.replace("?", f"${n + 1}", 1)
        prepared = asked.prepare(b"", numbered.encode())
        said = asked.describe_prepared(b"") if prepared.status == ExecStatus.COMMAND_OK else prepared
        if said.status != ExecStatus.COMMAND_OK:
            raise RuntimeError(f"{sql}: {said.error_message!r}")
        found = _known[sql] = [TYPES[said.param_type(n)] for n in range(count)]
    return found


def _driver(connection: Connection) -> psycopg.Connection[Any]:
    driver = connection.connection.driver_connection
    if not isinstance(driver, psycopg.Connection):
        raise RuntimeError("the connection is closed, or another driver's")
    return driver
