"""Wiring: a store with its engines, a recorder and answers for each book, and the web application around them."""

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

from flask import Flask
from sqlalchemy import Engine, inspect, text

from service_api.answering import Answers
from service_api.domain.moments import in_utc, zone_of
from service_api.log import store
from service_api.log.engines import is_sqlite, reading_engine, writing_engine
from service_api.log.store import Book
from service_api.recording import Recorder
from service_api.settings import Settings, travelling

Clock = Callable[[], datetime]


def wall_clock() -> datetime:
    return datetime.now(UTC)


class StoreBehind(RuntimeError):
    """The store's tables are older than this code, and it is not this command's place to change them."""


def newest_revision() -> str:
    return (travelling("migrations") / "HEAD").read_text("ascii").strip()


def store_revision(engine: Engine) -> str | None:
    """The revision that the store's tables stand at; None for an empty store."""
    with engine.connect() as connection:
        if not inspect(connection).has_table("alembic_version"):
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
    """An open store. `clock` is the one clock of the process; everything below gets moments as arguments."""

    def __init__(self, settings: Settings, clock: Clock = wall_clock) -> None:
        self.settings, self.clock = settings, clock
        if is_sqlite(settings.database):
            settings.data.mkdir(parents=True, exist_ok=True)
        self.writing = writing_engine(settings.database)
        if store_revision(self.writing) != newest_revision():
            if not is_sqlite(settings.database):
                raise StoreBehind("the store's tables are behind this code: run `fettlebook migrate` as their owner")
            self.writing.dispose()
            migrate(settings.database)
        self.reading = reading_engine(settings.database)
        self._recorders: dict[int, Recorder] = {}
        self._answers: dict[int, Answers] = {}

    def close(self) -> None:
        self.reading.dispose()
        self.writing.dispose()

    def is_current(self) -> bool:
        """The store can be read, and its tables are this code's."""
        with self.reading.begin() as connection:
            store.books(connection)
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

    def recorder(self, number: int) -> Recorder:
        if number not in self._recorders:
            self._recorders[number] = Recorder(self.writing, self.book(number), self.clock)
        return self._recorders[number]

    def answers(self, number: int) -> Answers:
        if number not in self._answers:
            self._answers[number] = Answers(self.reading, self.book(number), self.clock)
        return self._answers[number]

    @property
    def attachments(self) -> Path:
        return self.settings.attachments


def create_app(opened: Store) -> Flask:
    """The web application around an open store."""
    from service_api.http import make_app

    return make_app(opened)
