"""PostgreSQL: what every request and every append sends, in as few round trips as can be, through libpq itself.

A transaction of an append is begun together with its first queries, of which the very first takes the book's lock; its
changes wait until somebody has to see them, and go out in one statement, the last of them together with the COMMIT.
Rows go in as arrays, a column each: a statement's text stays the same however many rows it brings, and stays prepared.

A driver that comes back to Python while it waits lets other threads take the interpreter, which keep it for a while:
here it is let go of once a round trip. Values travel in the server's binary form.
"""

import re
import select
import struct
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import cache, partial
from typing import Any, NamedTuple

import psycopg
from psycopg.errors import error_from_result
from psycopg.pq import ConnStatus, ExecStatus, Format
from psycopg.pq.abc import PGconn, PGresult
from sqlalchemy import Connection

from service_api.log.driver import Missed, Query, Row, wrapped

BINARY = Format.BINARY
VALUES = re.compile(r"VALUES \(\?(?:, \?)*\)")
DIVIDED = "22012"  # SQLSTATE of a division by zero


class Type(NamedTuple):
    """Of a value: its object id, that of its array, and its two ways. https://www.postgresql.org/docs/current/protocol.html

    The object ids are those of pg_type, which never change.
    """

    oid: int
    array: int
    send: Callable[[Any], bytes]
    read: Callable[[bytes], Any]


_INT4, _INT8, _LENGTH = struct.Struct("!i"), struct.Struct("!q"), struct.Struct("!i")
TYPES = {
    kind.oid: kind
    for kind in (
        Type(16, 1000, lambda value: b"\1" if value else b"\0", lambda sent: sent != b"\0"),
        Type(17, 1001, bytes, bytes),
        Type(20, 1016, _INT8.pack, lambda sent: _INT8.unpack(sent)[0]),
        Type(23, 1007, _INT4.pack, lambda sent: _INT4.unpack(sent)[0]),
        Type(25, 1009, str.encode, lambda sent: str(sent, "utf-8")),
    )
}
NULL = _LENGTH.pack(-1)
HEADER = struct.Struct("!5i")  # dimensions, whether there are nulls, type, length, number of the first


@dataclass(frozen=True, slots=True)
class Array:
    """A column of rows: its array type, and the bytes that array_recv takes."""

    type: int
    sent: bytes


def array(kind: Type, values: Sequence[Any]) -> Array:
    """One dimension, counted from 1; each value behind its length, -1 for none."""
    parts = [HEADER.pack(1, 1, kind.oid, len(values), 1)]
    for value in values:
        if value is None:
            parts.append(NULL)
        else:
            sent = kind.send(value)
            parts += (_LENGTH.pack(len(sent)), sent)
    return Array(kind.array, b"".join(parts))


def _list(kind: Type) -> Callable[[Any], bytes]:
    return lambda values: array(kind, values).sent


SENDS = {kind.oid: kind.send for kind in TYPES.values()} | {kind.array: _list(kind) for kind in TYPES.values()}


class Prepared(NamedTuple):
    """A statement that the server knows on one connection, and the types of its parameters, arrays among them."""

    name: bytes
    types: list[int]


class Line:
    """One connection, to which nobody else speaks meanwhile. Each statement is prepared with its first use.

    Errors are psycopg's.
    """

    def __init__(self, driver: "psycopg.Connection[Any]") -> None:
        self._driver = driver
        driver.prepare_threshold = (
            None  # with statements of its own it would drop all of them, ours too, at a roll-back
        )
        self._conn: PGconn = driver.pgconn
        self._known: dict[tuple[str, tuple[int, ...]], Prepared] = {}
        self._poll = select.poll()
        self._poll.register(self._conn.socket, select.POLLIN)

    @property
    def closed(self) -> bool:
        return self._driver.closed

    @property
    def broken(self) -> bool:
        return self._driver.broken

    def close(self) -> None:
        self._driver.close()

    def rows(self, sql: str, parameters: Row = ()) -> list[tuple[Any, ...]]:
        """The rows of one statement, `?` for each parameter; in the transaction that is open, or one of its own."""
        known = self._prepared(sql, parameters)
        sent = _sent(known, parameters)
        return self._read(self._conn.exec_prepared(known.name, sent, [BINARY] * len(sent), BINARY))

    def together(self, queries: Sequence[Query]) -> list[list[tuple[Any, ...]]]:
        """The rows of each statement, all sent in one round trip. With the first that fails the rest is not begun."""
        conn = self._conn
        ready = [(known := self._prepared(sql, row), _sent(known, row)) for sql, row in queries]
        conn.enter_pipeline_mode()
        try:
            for known, sent in ready:
                conn.send_query_prepared(known.name, sent, [BINARY] * len(sent), BINARY)
            conn.pipeline_sync()
            results = self._results()
            conn.exit_pipeline_mode()
        except BaseException:
            conn.finish()  # nobody knows what would come next on it
            raise
        return [self._read(result) for result in results]

    def _results(self) -> list[PGresult]:
        """One for each statement; each is followed by nothing, and all of them by the end of the pipeline."""
        while self._conn.flush():
            self._wait(select.POLLIN | select.POLLOUT)
        found: list[PGresult] = []
        while True:
            while self._conn.is_busy():
                self._wait(select.POLLIN)
            result = self._conn.get_result()
            if result is None:
                continue
            if result.status == ExecStatus.PIPELINE_SYNC:
                return found
            found.append(result)
            if self._conn.status != ConnStatus.OK:
                raise error_from_result(result)

    def _wait(self, what: int) -> None:
        self._poll.modify(self._conn.socket, what)
        if any(event & ~select.POLLOUT for _, event in self._poll.poll()):
            self._conn.consume_input()

    def _read(self, result: PGresult) -> list[tuple[Any, ...]]:
        if result.status not in (ExecStatus.TUPLES_OK, ExecStatus.COMMAND_OK):
            raise _error(result)
        columns = range(result.nfields)
        reads = [TYPES[result.ftype(column)].read for column in columns]
        return [
            tuple(
                None if (sent := result.get_value(row, column)) is None else read(sent)
                for column, read in zip(columns, reads, strict=True)
            )
            for row in range(result.ntuples)
        ]

    def _prepared(self, sql: str, parameters: Row) -> Prepared:
        key = (sql, tuple(value.type if type(value) is Array else 0 for value in parameters))
        found = self._known.get(key)
        if found is None:
            name = b"fettlebook_%d" % len(self._known)
            found = self._known[key] = Prepared(name, _described(self._conn, name, sql, key[1]))
        return found

    def types(self, sql: str) -> list[Type]:
        """Of the statement's parameters, none of which is an array."""
        return [TYPES[oid] for oid in self._prepared(sql, (0,) * sql.count("?")).types]


def _sent(known: Prepared, parameters: Row) -> Any:
    return [
        None if value is None else value.sent if type(value) is Array else SENDS[oid](value)
        for oid, value in zip(known.types, parameters, strict=True)
    ]


def _described(conn: PGconn, name: bytes, sql: str, types: Sequence[int]) -> list[int]:
    result = conn.prepare(name, _numbered(sql), types)
    if result.status == ExecStatus.COMMAND_OK:
        result = conn.describe_prepared(name)
    if result.status != ExecStatus.COMMAND_OK:
        raise error_from_result(result)
    return [result.param_type(n) for n in range(result.nparams)]


@cache
def _numbered(sql: str) -> bytes:
    """With the server's own signs for parameters."""
    first, *more = sql.split("?")
    return (first + "".join(f"${n}{part}" for n, part in enumerate(more, 1))).encode()


def _error(result: PGresult) -> psycopg.Error:
    if result.status == ExecStatus.PIPELINE_ABORTED:
        return psycopg.errors.PipelineAborted("a statement before it failed")
    return error_from_result(result)


def line_of(connection: Connection) -> Line:
    """The line of a pooled connection, which is kept with it."""
    found = connection.info.get("line")
    if found is None:
        driver = connection.connection.driver_connection
        if not isinstance(driver, psycopg.Connection):
            raise RuntimeError("the connection is closed, or another driver's")
        found = connection.info["line"] = Line(driver)
    return found


def begin(connection: Connection, queries: Sequence[Query]) -> list[list[tuple[Any, ...]]]:
    """BEGIN and the rows of these queries, in one round trip; the connection is one that begins nothing by itself."""
    try:
        return line_of(connection).together([("BEGIN", ()), *queries])[1:]
    except psycopg.Error as error:
        raise wrapped(connection, queries[0][0], error) from error


class Together:
    """Changes that wait for `settle` or `commit`; no two of them may be about the same row unless one settles between.

    The changes of one statement do not see one another.
    """

    def __init__(self, connection: Connection) -> None:
        self.connection = connection
        self._line = line_of(connection)
        self._one: list[Query] = []
        self._many: dict[str, list[Row]] = {}

    def one(self, sql: str, row: Row) -> None:
        self._one.append((sql, row))

    def many(self, sql: str, rows: Iterable[Row]) -> None:
        self._many.setdefault(sql, []).extend(rows)

    def settle(self) -> None:
        """What was changed so far is there for the queries that follow."""
        for sql, row in self._statement():
            self._told(sql, partial(self._line.rows, sql, row))

    def commit(self) -> None:
        """The rest of the changes and the COMMIT in one round trip; they are on disk when this returns."""
        queries = [*self._statement(), ("COMMIT", ())]
        self._told(None, lambda: self._line.together(queries))

    def _told(self, sql: str | None, ask: Callable[[], object]) -> None:
        try:
            ask()
        except psycopg.Error as error:
            if error.sqlstate == DIVIDED:
                raise Missed("a change found no row") from error
            # an error of the server ends the transaction, whatever it was at; a cut connection says nothing of it
            raise wrapped(self.connection, sql or ("changes" if error.sqlstate else None), error) from error

    def _statement(self) -> list[Query]:
        """One statement with everything that waits. It fails as a whole when a change of `one` finds no row."""
        if not self._one and not self._many:
            return []
        parts: list[str] = []
        checks: list[str] = []
        parameters: list[Any] = []
        for n, (sql, row) in enumerate(self._one):
            parts.append(f"one{n} AS ({sql} RETURNING 1)")
            checks.append(f"1 / (SELECT count(*) FROM one{n})")  # by none: the server's own error ends it all
            parameters += row
        for n, (sql, rows) in enumerate(self._many.items()):
            if len(rows) == 1:
                parts.append(f"many{n} AS ({sql})")
                parameters += rows[0]
            else:
                columns = ", ".join("?" * len(rows[0]))
                parts.append(f"many{n} AS ({VALUES.sub(f'SELECT * FROM unnest({columns})', sql, count=1)})")
                parameters += map(array, self._line.types(sql), zip(*rows, strict=True))
        self._one, self._many = [], {}
        return [(f"WITH {', '.join(parts)} SELECT {', '.join(checks) or '1'}", parameters)]
