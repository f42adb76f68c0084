"""Wiring: a store with its engines, a recorder and answers for each book, and the web application around them."""

import time
from collections.abc import Callable
from contextlib import AbstractContextManager, nullcontext
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from flask import Flask
from sqlalchemy import Engine, text

from service_api.answering.answers import Answers
from service_api.clocks import ClockWatch, Reading
from service_api.directory.uses import Uses
from service_api.domain.moments import in_utc, parse, zone_of
from service_api.domain.refusals import ClockDoubt
from service_api.log import confirmed, store
from service_api.log.engines import (
    Commits,
    QuickReader,
    Recalling,
    Remembering,
    appending_engine,
    is_sqlite,
    is_there,
    reading_engine,
    writing_engine,
)
from service_api.log.holding import Hold
from service_api.log.store import Book
from service_api.settings import Settings, travelling

if TYPE_CHECKING:
    from service_api.log.keys import Keys
    from service_api.proving import Proofs
    from service_api.recording.recorder import Recorder

Clock = Callable[[], datetime]
PATIENCE = 2.0


def wall_clock() -> datetime:
    return datetime.now(UTC)


def counting_clock() -> float:
    """Seconds since the machine started, sleep included where the system counts it; setting the clock moves it not."""
    return time.clock_gettime(getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC))


def confirmed_reading(found: confirmed.Confirmed) -> Reading:
    return Reading(parse(found.confirmed_at), found.counted_ms / 1000)


class StoreBehind(RuntimeError):
    """The store's tables are older than this code, and it is not this command's place to change them."""


class OneWriter(RuntimeError):
    """Several processes for a store that one of them writes."""


def check_workers(database: str, workers: int) -> None:
    """Raise OneWriter when the store cannot be served by so many processes."""
    if workers > 1 and is_sqlite(database):
        raise OneWriter(
            "an SQLite store is served by one process: leave out --workers, or set FETTLEBOOK_DATABASE to a PostgreSQL"
            " store"
        )


def newest_revision() -> str:
    return (travelling("migrations") / "HEAD").read_text("ascii").strip()


def store_revision(engine: Engine) -> str | None:
    """The revision that the store's tables stand at; None for an empty store."""
    with engine.connect() as connection:
        if not connection.dialect.has_table(connection, "alembic_version"):
            return None
        found = connection.execute(text("SELECT version_num FROM alembic_version")).scalar()
        return None if found is None else str(found)


def migrate(url: str) -> None:
    """Bring the tables up to this code. Alembic is imported only here: a store that is up to date starts without it."""
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(travelling("migrations")))
    config.set_main_option("sqlalchemy.url", url.replace("%", "%%"))
    command.upgrade(config, "head")


class Store:
    """An open store. `clock` is the one clock of the process; everything below gets moments as arguments.

    counting : the clock that it is held against; left out, the machine's for the machine's own clock, else none
    doing : for what an embedded store is held; empty to read only, for which nobody has to hold it
    patience : seconds to wait for whoever holds it now and takes no commands
    Raises StoreHeld, StoreBehind.
    """

    def __init__(
        self,
        settings: Settings,
        clock: Clock = wall_clock,
        counting: Callable[[], float] | None = None,
        doing: str = "serve",
        patience: float = PATIENCE,
    ) -> None:
        self.settings, self.clock = settings, clock
        self._counting = counting or (counting_clock if clock is wall_clock else lambda: clock().timestamp())
        self._began = Reading(clock(), self._counting())
        self._watches: dict[int, ClockWatch] = {}
        self.hold: Hold | None = None
        self.reading = self.writing = reading_engine(settings.database)
        if is_sqlite(settings.database):
            self._open_embedded(doing, patience)
        else:
            self.writing = writing_engine(settings.database) if doing else self.reading
            if store_revision(self.reading) != newest_revision():
                raise StoreBehind("the store's tables are behind this code: run `fettlebook migrate` as their owner")
        self.appending = self.writing if is_sqlite(settings.database) else appending_engine(settings.database)
        self.quickly = QuickReader(self.reading)
        self.lasting: QuickReader | Remembering = self.quickly  # for what no append changes
        if self.hold is not None and doing:
            self.lasting = Remembering(self.quickly, Commits(self.writing))
        # on a server others may have moved it meanwhile: an append looks at it again with its first round trip
        self.recalled = None if is_sqlite(settings.database) else Recalling(self.quickly)
        self.uses = Uses(self.writing)
        self._recorders: dict[int, Recorder] = {}
        self._answers: dict[int, Answers] = {}
        self._proofs: dict[int, Proofs] = {}

    def _open_embedded(self, doing: str, patience: float) -> None:
        url, folder = self.settings.database, self.settings.data
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)  # names of people and digests of secrets lie in it
        if not doing and is_there(url) and store_revision(self.reading) == newest_revision():
            return
        self.hold = Hold(url, doing or "migrate", patience)
        try:
            self.writing = writing_engine(url)
            if store_revision(self.writing) != newest_revision():
                self.writing.dispose()
                migrate(url)
            if not doing:
                self.writing.dispose()
                self.writing = self.reading
                self.hold.release()
        except BaseException:
            self.hold.release()
            raise

    def close(self) -> None:
        self.uses.settle()
        self.quickly.close()
        self.reading.dispose()
        self.appending.dispose()
        self.writing.dispose()
        if self.hold is not None:
            self.hold.release()

    def only_writer(self) -> AbstractContextManager[Any]:
        """On an embedded store keeps this process's one writing connection idle, for another to write meanwhile."""
        return nullcontext() if self.hold is None else self.writing.connect()

    def is_current(self) -> bool:
        """The store can be read, its tables are this code's, and no book's end is in doubt. Raises what is wrong."""
        with self.reading.begin() as connection:
            store.books(connection)
        for recorder in list(self._recorders.values()):
            recorder.settle()
        return store_revision(self.reading) == newest_revision()

    def books(self) -> list[Book]:
        with self.reading.begin() as connection:
            return store.books(connection)

    def book(self, number: int) -> Book:
        return next(b for b in self.books() if b.number == number)

    def new_book(self, origin: str, zone: str, simulated: bool = False) -> Book:
        """A new, empty book. Raises ValueError for a taken origin or an unknown zone."""
        zone_of(zone)
        with self.writing.begin() as connection:
            return store.make_book(connection, origin, zone, in_utc(self.clock()), simulated)

    def recorder(self, number: int) -> "Recorder":
        """The book's one recorder here. What only writing needs is imported with the first of them."""
        found = self._recorders.get(number)
        if found is None:  # the first of several threads sets it, and all of them get that one
            from service_api.recording.recorder import Recorder

            made = Recorder(self.appending, self.book(number), partial(self.stamp, number))
            found = self._recorders.setdefault(number, made)
        return found

    def stamp(self, number: int) -> datetime:
        """Now, for what is written to this book. Raises ClockDoubt while the machine's clock is in doubt."""
        now = self.clock()
        self._watched(number).check(now, self._counting())
        return now

    def passed(self, number: int) -> datetime:
        """What has passed for certain, by which things run out: a clock that is set back brings nothing back."""
        return self._watched(number).passed(self.clock(), self._counting())

    def _watched(self, number: int) -> ClockWatch:
        found = self._watches.get(number)
        if found is None:
            found = self._watches.setdefault(number, self._watch(self.book(number)))
        return found

    def _watch(self, book: Book) -> ClockWatch:
        def last_confirmed() -> Reading | None:
            with self.reading.begin() as connection:
                found = confirmed.last_confirmed(connection, book.number)
            return found and confirmed_reading(found)

        with self.reading.begin() as connection:
            # a simulated book was told ahead of any clock
            passed = "" if book.simulated else confirmed.not_before(connection, book.number)
        return ClockWatch(self._began, last_confirmed, passed)

    def clock_doubt(self) -> str:
        """Why the machine's clock is not believed, looked at now; empty when it is."""
        for book in self.books():
            try:
                self.stamp(book.number)
            except ClockDoubt as doubt:
                return doubt.detail
        return ""

    def confirm_clock(self, book: Book) -> datetime:
        """The machine's clock is believed by this book, in every process here, until it is set again; what it says."""
        now, counted = self.clock(), self._counting()
        with self.writing.begin() as connection:
            confirmed.confirm(connection, book.number, in_utc(now, 6), round(counted * 1000))
        return now

    def answers(self, number: int) -> Answers:
        found = self._answers.get(number)
        if found is None:
            made = Answers(self.reading, self.book(number), self.clock, self.quickly, self.attachments / str(number))
            found = self._answers.setdefault(number, made)
        return found

    def keys(self, book: Book) -> "Keys":
        from service_api.log.keys import Keys

        return Keys(self.settings.keys, book.number, book.origin)

    def proofs(self, number: int) -> "Proofs":
        """What the book proves of itself; imported with the first who asks."""
        from service_api.proving import Proofs

        found = self._proofs.get(number)
        if found is None:
            book = self.book(number)
            makes_key = is_sqlite(self.settings.database)
            found = self._proofs.setdefault(number, Proofs(self.quickly, book, self.keys(book), self.clock, makes_key))
        return found

    @property
    def attachments(self) -> Path:
        return self.settings.attachments


def create_app(opened: Store) -> Flask:
    """The web application around an open store."""
    from service_api.http import make_app

    return make_app(opened)
