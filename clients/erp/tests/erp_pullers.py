"""Pullers as processes of their own, to be killed; forked from one that has the libraries loaded already."""

import multiprocessing
import os
import time
from collections.abc import Sequence
from pathlib import Path

from fettlebook_erp import cli, tables
from fettlebook_erp.pages import Change, Place

FORKS = multiprocessing.get_context("forkserver")
FORKS.set_forkserver_preload(["pytest", "click", "httpx2", "tenacity", "sqlalchemy.dialects.sqlite.pysqlite"])


def run(words: list[str], said: Path) -> None:
    """The command in this process; what it says goes to a file."""
    file = os.open(said, os.O_WRONLY | os.O_CREAT | os.O_APPEND)
    os.dup2(file, 1)
    os.dup2(file, 2)
    cli.main(words, prog_name="fettlebook-erp")


class CursorFirst(tables.TablesSink):
    """What must not be: the cursor is stored first, by a transaction of its own, and the rows after it."""

    def store(self, changes: Sequence[Change], generation: str, after: str) -> None:
        there = Place(generation, after, changes[-1]["cursor"] if changes else self._place.last)
        with self._engine.begin() as connection:
            self._move(connection, there)
        time.sleep(0.02)  # a slow disk
        with self._engine.begin() as connection:
            if changes:
                tables.put(connection, changes, generation)
        self._place = there


def run_cursor_first(words: list[str], said: Path) -> None:
    cli.open_sink = CursorFirst  # type: ignore[assignment]
    run(words, said)
