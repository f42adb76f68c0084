"""Faults planted in a service on purpose: `python -m tests.faults.plants NAME ...` runs fettlebook with one.

A test of a promise has to miss it when it is broken; these break one each.
"""

import sys
from typing import Any

from service_api.cli import main
from service_api.recording import Recorder


def keep_everything() -> None:
    """Remember every batch for ever."""
    kept: list[Any] = []
    keep = Recorder._keep

    def greedy(self: Recorder, done: Any, batch: Any) -> None:
        kept.append((done, batch))
        keep(self, done, batch)

    Recorder._keep = greedy  # type: ignore[method-assign]


PLANTS = {"keep everything": keep_everything}

if __name__ == "__main__":
    PLANTS[sys.argv.pop(1)]()
    main(prog_name="fettlebook")
