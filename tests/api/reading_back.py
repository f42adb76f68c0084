"""What the tests of the API read directly: every row of a store, and the parts of a problem document."""

import json
from typing import Any

from sqlalchemy import select

from service_api.app import Store
from service_api.log import tables as log
from service_api.projections import tables as projections

PROBLEM = "application/problem+json"


def rows(store: Store) -> dict[str, list[tuple[Any, ...]]]:
    """Every row of the log and of what is drawn from it."""
    found = {}
    with store.reading.begin() as connection:
        for table in (*log.metadata.sorted_tables, *projections.metadata.sorted_tables):
            found[table.name] = sorted(map(tuple, connection.execute(select(table))), key=repr)
    return found


def indexes(store: Store, book: int) -> list[int]:
    with store.reading.begin() as connection:
        wanted = select(log.entry.c.log_index).where(log.entry.c.book == book).order_by(log.entry.c.log_index)
        return list(connection.execute(wanted).scalars())


def slug(problem: dict[str, Any]) -> str:
    return str(problem["type"].rpartition("/problems/")[2])


def faults(problem: dict[str, Any]) -> list[tuple[str, str]]:
    """(pointer, code) of each fault."""
    return [(e["pointer"], e["code"]) for e in problem["errors"]]


def changed(entry: dict[str, Any], pointer: str, value: Any) -> dict[str, Any]:
    """A copy in which the member that an RFC 6901 pointer names is this value."""
    copy, inside, last = _reach(entry, pointer)
    inside[last] = value
    return copy


def without(entry: dict[str, Any], pointer: str) -> dict[str, Any]:
    """A copy without the member that the pointer names."""
    copy, inside, last = _reach(entry, pointer)
    del inside[last]
    return copy


def _reach(entry: dict[str, Any], pointer: str) -> tuple[dict[str, Any], Any, Any]:
    copy = inside = json.loads(json.dumps(entry))
    *path, last = (p.replace("~1", "/").replace("~0", "~") for p in pointer.split("/")[1:])
    for name in path:
        inside = inside[int(name)] if isinstance(inside, list) else inside[name]
    return copy, inside, int(last) if isinstance(inside, list) else last
