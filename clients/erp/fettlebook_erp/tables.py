"""A database as a sink: one row a change, and one row that is the cursor.

A page's rows and the cursor behind them go in by one transaction, so after a kill at any moment both are there or
neither is. No change is lost, none is doubled.

`fettlebook_change` : log_index and unit (its key), generation, cursor, standing, changed (JSON), condition (JSON)
`fettlebook_pull` : its one row is generation, cursor (what is asked for next) and last_cursor (of the last row)

A new generation reads everything again from the beginning; each row replaces the one of the same index and unit. Until
the pull has come to the end, `generation` tells rows that were read again from those that were not; afterwards a row of
an older generation is one that the new rules do not count as a change any more.

Two pullers into one database: the second finds the cursor moved under it, stores nothing and stops.
"""

import json
from collections.abc import Sequence
from functools import partial
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from sqlalchemy import (
    JSON,
    URL,
    BigInteger,
    Column,
    Integer,
    MetaData,
    String,
    Table,
    bindparam,
    create_engine,
    func,
    inspect,
    select,
)
from sqlalchemy.engine import Connection, Engine
from sqlalchemy.exc import IntegrityError

from fettlebook_erp.pages import BEGINNING, Change, Place
from fettlebook_erp.trouble import CouldNotRun

METADATA = MetaData()
CHANGE = Table(
    "fettlebook_change",
    METADATA,
    Column("log_index", BigInteger, primary_key=True, autoincrement=False),
    Column("unit", String(64), primary_key=True),
    Column("generation", String(64), nullable=False),
    Column("cursor", String(96), nullable=False),
    Column("standing", String(64)),
    Column("changed", JSON, nullable=False),
    Column("condition", JSON, nullable=False),
)
PULL = Table(
    "fettlebook_pull",
    METADATA,
    Column("id", Integer, primary_key=True, autoincrement=False),
    Column("generation", String(64)),
    Column("cursor", String(96), nullable=False),
    Column("last_cursor", String(96)),
)
HERE = PULL.c.id == 1


def engine_of(url: URL) -> Engine:
    return create_engine(url, json_serializer=partial(json.dumps, ensure_ascii=False, separators=(",", ":")))


def place_of(connection: Connection) -> Place | None:
    """Where the pull is, None before there was one."""
    row = connection.execute(select(PULL.c.generation, PULL.c.cursor, PULL.c.last_cursor).where(HERE)).one_or_none()
    return None if row is None else Place(row.generation, row.cursor, row.last_cursor)


def row_of(change: Change, generation: str) -> dict[str, Any]:
    condition = change["condition"]
    return {
        "log_index": change["index"],
        "unit": change["unit"],
        "generation": generation,
        "cursor": change["cursor"],
        "standing": condition.get("standing") if isinstance(condition, dict) else None,
        "changed": change["changed"],
        "condition": condition,
    }


def put(connection: Connection, changes: Sequence[Change], generation: str) -> None:
    """The rows are there, each in place of one of the same key. Delete and insert is what every database can do."""
    rows = [row_of(change, generation) for change in changes]
    keys = [{"at": row["log_index"], "of": row["unit"]} for row in rows]
    same = (CHANGE.c.log_index == bindparam("at")) & (CHANGE.c.unit == bindparam("of"))
    connection.execute(CHANGE.delete().where(same), keys)
    connection.execute(CHANGE.insert(), rows)


class TablesSink:
    """The two tables of a database."""

    def __init__(self, url: URL) -> None:
        """The tables are there and the pull has a row. Raises CouldNotRun, or SQLAlchemy's own errors."""
        self._engine = engine_of(url)
        try:
            METADATA.create_all(self._engine)
            with self._engine.begin() as connection:
                place = place_of(connection)
                if place is None:
                    connection.execute(PULL.insert().values(id=1, cursor=BEGINNING))
        except IntegrityError as error:
            self._engine.dispose()
            raise CouldNotRun(f"another puller has begun at the same moment: {error.orig}") from error
        except BaseException:
            self._engine.dispose()
            raise
        self._place = place or Place()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self._engine.dispose()

    @property
    def place(self) -> Place:
        return self._place

    def store(self, changes: Sequence[Change], generation: str, after: str) -> None:
        last = changes[-1]["cursor"] if changes else self._place.last
        there = Place(self._place.generation if last is None else generation, after, last)
        with self._engine.begin() as connection:
            self._move(connection, there)
            if changes:
                put(connection, changes, generation)
        self._place = there

    def begin_again(self, generation: str) -> None:
        there = Place(generation)
        with self._engine.begin() as connection:
            self._move(connection, there)
        self._place = there

    def _move(self, connection: Connection, there: Place) -> None:
        """The cursor is moved in this transaction, if it is still where this puller left it."""
        moved = connection.execute(
            PULL.update()
            .where(HERE, PULL.c.cursor == self._place.start)
            .values(generation=there.generation, cursor=there.start, last_cursor=there.last)
        )
        if moved.rowcount != 1:
            raise CouldNotRun(f"another puller has moved the cursor: it is not at {self._place.start} any more")


def status(url: URL) -> dict[str, Any]:
    """How far the tables are, without touching them. Raises CouldNotRun when there are none."""
    shown = url.render_as_string(hide_password=True)
    name = url.database or ":memory:"
    on_disk = url.get_backend_name() == "sqlite" and not name.startswith((":memory:", "file:"))
    if on_disk and not Path(name).exists():  # connecting would make the file
        raise CouldNotRun(f"nothing was pulled to {shown} yet: there is no such file")
    engine = engine_of(url)
    try:
        if not inspect(engine).has_table(PULL.name):
            raise CouldNotRun(f"nothing was pulled to {shown} yet: there is no table {PULL.name}")
        with engine.begin() as connection:
            place = place_of(connection) or Place()
            count = connection.execute(select(func.count()).select_from(CHANGE)).scalar_one()
            older = connection.execute(
                select(func.count()).select_from(CHANGE).where(CHANGE.c.generation != place.generation)
            ).scalar_one()
    finally:
        engine.dispose()
    return {
        "to": shown,
        "changes": count,
        "of_older_generations": older,
        "cursor": place.start,
        "generation": place.generation,
    }
