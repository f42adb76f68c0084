"""PostgreSQL: what every request and every append sends, in as few round trips as can be, through libpq itself.

An append that asks nothing sends one statement, a transaction of its own, which holds only if the book is where it was
left. Another is begun together with its first queries, of which the very first takes the book's lock; its changes wait
until somebody has to see them, and go out in one statement, the last of them together with the COMMIT.
Rows go in as arrays, a column each: a statement's text stays the same however many rows it brings, and stays prepared.

A driver that comes back to Python while it waits lets other threads take the interpreter, which keep it for a while:
here it is let go of once a round trip. Values travel in the server's binary form.
"""

import re
import select
import struct
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from functools import cache, partial
from typing import Any, NamedTuple

import psycopg
from psycopg.errors import error_from_result
from psycopg.pq import ConnStatus, ExecStatus, Format
from psycopg.pq.abc import PGconn, PGresult
from sqlalchemy import Connection, Engine

from service_api.log.driver import Missed, Query, Row, wrapped
from service_api.log.seat import Seats

BINARY = Format.BINARY
VALUES = re.compile(r"VALUES \(\?(?:, \?)*\)")
DIVIDED = "22012"  # SQLSTATE of a division by zero


class Type(NamedTuple):
    """Of a value: its name, its object id, that of its array, and its two ways. https://www.postgresql.org/docs/current/protocol.html

    The object ids are those of pg_type, which never change.
    """

    name: str
    oid: int
    array: int
    send: Callable[[Any], bytes]
    read: Callable[[bytes], Any]


_INT4, _INT8, _LENGTH = struct.Struct("!i"), struct.Struct("!q"), struct.Struct("!i")
TYPES = {
    kind.oid: kind
    for kind in (
        Type("boolean", 16, 1000, lambda value: b"\1" if value else b"\0", lambda sent: sent != b"\0"),
        Type("bytea", 17, 1001, bytes, bytes),
        Type("bigint", 20, 1016, _INT8.pack, lambda sent: _INT8.unpack(sent)[0]),
        Type("integer", 23, 1007, _INT4.pack, lambda sent: _INT4.unpack(sent)[0]),
        Type("text", 25, 1009, str.encode, lambda sent: str(sent, "utf-8")),
    )
}
NULL = _LENGTH.pack(-1)
HEADER = struct.Struct("!5i")  # dimensions, whether there are nulls, type, length, number of the first


def array(kind: Type, values: Sequence[Any]) -> bytes:
    """One dimension, counted from 1; each value behind its length, -1 for none."""
    parts = [HEADER.pack(1, 1, kind.oid, len(values), 1)]
    for value in values:
        if value is None:
            parts.append(NULL)
        else:
            sent = kind.send(value)
            parts += (_LENGTH.pack(len(sent)), sent)
    return b"".join(parts)


SENDS: dict[int, Callable[[Any], bytes]] = {kind.oid: kind.send for kind in TYPES.values()}
SENDS |= {kind.array: partial(array, kind) for kind in TYPES.values()}


class Prepared(NamedTuple):
    """A statement that the server knows on one connection; of each parameter its type and how it is sent."""

    name: bytes
    types: list[int]
    sends: list[Callable[[Any], bytes]]
    formats: list[Format]


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
        self._known: dict[str, Prepared] = {}
        self._texts: dict[Shape, str] = {}
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

    def told_something(self) -> bool:
        """Whether the server sent what nobody had asked for: its farewell, as a rule."""
        self._poll.modify(self._conn.socket, select.POLLIN)
        return bool(self._poll.poll(0))

    def rows(self, sql: str, parameters: Row = ()) -> list[tuple[Any, ...]]:
        """The rows of one statement, `?` for each parameter; in the transaction that is open, or one of its own."""
        known = self._known.get(sql) or self._prepared(sql)
        sent = _sent(known, parameters)
        return self._read(self._conn.exec_prepared(known.name, sent, known.formats, BINARY))

    def together(self, queries: Sequence[Query]) -> list[list[tuple[Any, ...]]]:
        """The rows of each statement, all sent in one round trip. With the first that fails the rest is not begun."""
        conn = self._conn
        ready = [(known := self._known.get(sql) or self._prepared(sql), _sent(known, row)) for sql, row in queries]
        conn.enter_pipeline_mode()
        try:
            for known, sent in ready:
                conn.send_query_prepared(known.name, sent, known.formats, BINARY)
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

    def _prepared(self, sql: str) -> Prepared:
        name = b"fettlebook_%d" % len(self._known)
        types = _described(self._conn, name, sql)
        found = self._known[sql] = Prepared(name, types, [SENDS[oid] for oid in types], [BINARY] * len(types))
        return found

    def written(self, shape: "Shape") -> str:
        """The text of a statement of this shape."""
        found = self._texts.get(shape)
        if found is None:
            found = self._texts[shape] = shape.text(self._names)
        return found

    def _names(self, sql: str) -> list[str]:
        """Of the types of the statement's parameters."""
        known = self._known.get(sql) or self._prepared(sql)
        return [TYPES[oid].name for oid in known.types]


def _sent(known: Prepared, parameters: Row) -> Any:
    return [None if value is None else send(value) for send, value in zip(known.sends, parameters, strict=True)]


def _described(conn: PGconn, name: bytes, sql: str) -> list[int]:
    result = conn.prepare(name, _numbered(sql))
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


class Later:
    """Stands for the connection of a transaction that begins when it is first asked something.

    provided : conditions; what is changed without a question holds only if each of them is so
    """

    def __init__(self, engine: Engine, provided: Sequence[Query], begin: Callable[[], Connection]) -> None:
        self.engine, self.dialect, self.provided = engine, engine.dialect, provided
        self._begin = begin
        self.own: Connection | None = None

    def __getattr__(self, name: str) -> Any:
        if self.own is None:
            self.own = self._begin()
        return getattr(self.own, name)


class Shape(NamedTuple):
    """What a statement is made of: changes of one row, of many and whether more than one, and conditions."""

    one: tuple[str, ...]
    many: tuple[tuple[str, bool], ...]
    provided: tuple[str, ...]

    def text(self, names: Callable[[str], list[str]]) -> str:
        """When a change of one row finds none, it fails as a whole; with conditions it changes nothing then.

        names : of the types of a statement's parameters
        """
        only = "".join(f" AND {what}" for what in self.provided)
        parts = [f"one{n} AS ({sql}{only} RETURNING 1)" for n, sql in enumerate(self.one)]
        parts += [f"many{n} AS ({self._rows(sql, more, names)})" for n, (sql, more) in enumerate(self.many)]
        # by none: the server's own error ends it all
        checks = [f"1 / (SELECT count(*) FROM one{n})" for n in range(len(self.one))] or ["1"]
        return f"WITH {', '.join(parts)} SELECT {'count(*) FROM one0' if self.provided else ', '.join(checks)}"

    def _rows(self, sql: str, more: bool, names: Callable[[str], list[str]]) -> str:
        if not (more or self.provided):
            return sql
        kinds = names(sql)
        given = ", ".join(["?"] * len(kinds))
        if more:
            columns = ", ".join(f"CAST(? AS {kind}[])" for kind in kinds)
            given = f"given.* FROM unnest({columns}) AS given"
        every = "" if not self.provided else ", one0" if more else " FROM one0"
        return VALUES.sub(f"SELECT {given}{every}", sql, count=1)


class Together:
    """Changes that wait for `settle` or `commit`; no two of them may be about the same row unless one settles between.

    The changes of one statement do not see one another.
    """

    def __init__(self, connection: Connection) -> None:
        self.connection: Any = connection
        self._one: list[Query] = []
        self._many: dict[str, list[Row]] = {}

    def one(self, sql: str, row: Row) -> None:
        self._one.append((sql, row))

    def many(self, sql: str, rows: Iterable[Row]) -> None:
        self._many.setdefault(sql, []).extend(rows)

    def settle(self) -> None:
        """What was changed so far is there for the queries that follow."""
        if self._one or self._many:
            line = line_of(self.connection)
            sql, row = self._statement(line)
            self._told(sql, partial(line.rows, sql, row))

    def commit(self) -> None:
        """The rest of the changes and the COMMIT in one round trip; they are on disk when this returns."""
        if isinstance(self.connection, Later) and self.connection.own is None:
            with _ready(self.connection.engine) as connection:
                self._alone(connection, self.connection.provided)
            return
        line = line_of(self.connection)
        queries = [self._statement(line)] if self._one or self._many else []
        self._told(None, lambda: line.together([*queries, ("COMMIT", ())]))

    def _alone(self, connection: Connection, provided: Sequence[Query]) -> None:
        """All changes in a transaction of their own. Raises Missed when they do not hold; nothing was changed then."""
        line = line_of(connection)
        if line.told_something():
            raise Missed("the line may have broken while it lay idle")
        self.connection = connection
        statement = self._statement(line, provided)
        ((found,),) = self._told(None, partial(line.rows, *statement))
        if not found:
            raise Missed("the book is not where it was left, or what stands beside it is not what it was")

    def _told(self, sql: str | None, ask: Callable[[], Any]) -> Any:
        try:
            return ask()
        except psycopg.Error as error:
            if error.sqlstate == DIVIDED:
                raise Missed("a change found no row") from error
            # an error of the server ends the transaction, whatever it was at; a cut connection says nothing of it
            raise wrapped(self.connection, sql or ("changes" if error.sqlstate else None), error) from error

    def _statement(self, line: Line, provided: Sequence[Query] = ()) -> Query:
        """One statement with everything that waits."""
        shape = Shape(
            tuple([sql for sql, _ in self._one]),
            tuple([(sql, len(rows) > 1) for sql, rows in self._many.items()]),
            tuple([what for what, _ in provided]),
        )
        parameters: list[Any] = []
        for _, row in self._one:
            parameters += row
            for _, more in provided:
                parameters += more
        for rows in self._many.values():
            parameters += rows[0] if len(rows) == 1 else zip(*rows, strict=True)
        self._one, self._many = [], {}
        return line.written(shape), parameters


@contextmanager
def _ready(engine: Engine) -> Iterator[Connection]:
    """A connection that was left ready, or another; it is left ready again."""
    pool = engine.pool
    assert isinstance(pool, Seats)
    connection = pool.ready() or engine.connect()
    try:
        yield connection
    except BaseException:
        connection.close()
        raise
    if pool is engine.pool:
        pool.leave(connection)
    else:
        connection.close()
