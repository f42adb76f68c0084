"""The pull: page after page from the service into a sink, which stores a page and the cursor behind it as one."""

import time
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from fettlebook_erp.pages import BEGINNING, Change, Page, Place, index_of
from fettlebook_erp.trouble import FoundWrong

WAIT = 30  # seconds for which a follower asks the service to wait for the next change
SOONEST = 1.0  # seconds between two looks, where a service does not wait


class Source(Protocol):
    def changes(self, start: str, limit: int, wait: int) -> Page: ...
    def has_entry(self, index: int) -> bool: ...


class Sink(Protocol):
    """Where changes go. Opened after a kill at any moment, its `place` is right behind the last change it holds."""

    @property
    def place(self) -> Place: ...
    def store(self, changes: Sequence[Change], generation: str, after: str) -> None:
        """Keep the changes and the cursor after them, both or neither."""

    def begin_again(self, generation: str) -> None:
        """Take everything from the beginning, under a new generation."""


@dataclass
class Pulled:
    """What a pull has done so far."""

    changes: int = 0
    read_again: bool = False


def pull(service: Source, sink: Sink, limit: int, done: Pulled, follow: bool = False) -> None:
    """The sink holds every change of the book, each once, in the book's order; `done` counts along.

    limit : changes on one page, and all that is held in memory
    follow : stay, and take each change as it comes; without it the pull ends where the book does
    Raises FoundWrong when the book ends before the cursor: it was put back to an earlier state, so what the sink holds
    may never have happened. A book that went back and has since grown past the cursor cannot be told from here; that
    is for a proof of the log.
    """
    while True:
        asked = time.monotonic()
        place = sink.place
        page = service.changes(place.start, limit, WAIT if follow else 0)
        if place.generation not in (None, page.generation):
            sink.begin_again(page.generation)
            done.read_again = True
            continue
        if not page.changes:
            _check_book_reaches(service, place.start)
        fresh = [change for change in page.changes if change["cursor"] != place.last]
        if fresh or page.next != place.start:
            sink.store(fresh, page.generation, page.next)
            done.changes += len(fresh)
        if page.changes:
            continue
        if not follow:
            return
        time.sleep(max(0.0, asked + SOONEST - time.monotonic()))


def _check_book_reaches(service: Source, start: str) -> None:
    """A cursor past the end is answered with nothing, as the end is, so ask for the entry that it rests on."""
    if start == BEGINNING:
        return
    rests_on = index_of(start) - (0 if ":" in start else 1)
    if rests_on >= 0 and not service.has_entry(rests_on):
        raise FoundWrong(
            f"the service's book went back behind the cursor {start}: entry {rests_on} was there and is not any more"
        )
