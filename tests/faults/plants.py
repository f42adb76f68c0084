"""Faults planted in a service on purpose: `python -m tests.faults.plants NAME ...` runs fettlebook with one.

A test of a promise has to miss it when it is broken; these break one each.
"""

import sys
from typing import Any
from uuid import uuid4

from service_api.cli import main
from service_api.http import entries, straight
from service_api.log import engines, store
from service_api.recording.memory import Memory


def keep_everything() -> None:
    """Remember every batch for ever."""
    small_cache()
    kept: list[Any] = []
    keep = Memory.keep

    def greedy(self: Memory, done: Any, batch: Any) -> None:
        kept.append((done, batch))
        keep(self, done, batch)

    Memory.keep = greedy  # type: ignore[method-assign]


def know_no_id() -> None:
    """Take every id for a new one."""
    store._known = lambda *_: {}  # type: ignore[assignment]


def number_again() -> None:
    """Give an entry that comes again a number of its own, as an id that is made here would."""
    read = entries.read_draft

    def renamed(raw: Any, *more: Any) -> Any:
        return read(raw | {"id": str(uuid4())} if isinstance(raw, dict) else raw, *more)

    entries.read_draft = straight.read_draft = renamed
    straight.plain_draft = lambda _: None


def small_cache() -> None:
    """No fault: SQLite's own cache is full at once, so that what grows in a short run is ours."""
    engines.CACHE_KB = 2048


PLANTS = {
    "keep everything": keep_everything,
    "know no id": know_no_id,
    "number again": number_again,
    "small cache": small_cache,
}

if __name__ == "__main__":
    PLANTS[sys.argv.pop(1)]()
    main(prog_name="fettlebook")
