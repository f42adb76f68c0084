"""Imported by the clean process that children are forked from: everything that a child does was done once before."""

import tempfile
from pathlib import Path

from tests.faults import work
from tests.faults.harness import ground


def _once() -> None:
    with tempfile.TemporaryDirectory() as name, ground(Path(name)) as on:
        work.append(lambda _: None, lambda: None, name, on.token, work.batches())


_once()
