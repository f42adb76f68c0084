"""What tests stand on: a clock that they set, a fresh store built by migrating, a book, and ways to ask and to tell."""

import json
import os
import shutil
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from itertools import count
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from flask import Flask
from flask.testing import FlaskClient
from hypothesis import is_hypothesis_test, settings
from sqlalchemy import Engine
from werkzeug.test import TestResponse

from service_api.app import Store, create_app, migrate
from service_api.directory import people, tokens
from service_api.log.engines import writing_engine
from service_api.log.store import Book
from service_api.ops.demo import prepare
from service_api.settings import Settings
from tests import factories, postgres

NOON = datetime(2026, 1, 5, 12, tzinfo=UTC)
LATER_THAN_THE_DEMO = datetime(2025, 11, 3, 9, tzinfo=UTC)
PEOPLE = {
    "ada.bench": "bench",
    "bob.bench": "bench",
    "lou.lead": "lead",
    "sam.stores": "stores",
    "qi.quality": "quality",
    "mo.manager": "manager",
    "mia.manager": "manager",
    "max.manager": "manager",
    "sig.signatory": "signatory",
    "erp.system": "erp",
    "aud.auditor": "auditor",
    "cus.a": "customer",
    "cus.b": "customer",
    "adm.admin": "admin",
    "sta.stand": "stand",
}
PARTIES = ("party-a", "party-b", "party-s")
DATABASES = count()  # of the throw-away server
ALONE = tuple(Path(__file__).parent / room for room in ("browser", "faults", "fresh"))


class FakeClock:
    """The one clock of a store under test; it stands still until somebody moves it."""

    def __init__(self, now: datetime = NOON) -> None:
        self.now = now

    def __call__(self) -> datetime:
        return self.now

    def advance(self, **span: float) -> None:
        self.now += timedelta(**span)

    def set(self, text: str) -> None:
        self.now = datetime.fromisoformat(text).astimezone(UTC)


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--examples", type=int, default=None, help="so many examples for every property, anew each time")
    parser.addoption("--postgresql", action="store_true", help="every test of the API on PostgreSQL, not only some")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Longer runs of the properties than their own settings say; what wants the machine for itself is marked so."""
    for item in items:
        if any(map(item.path.is_relative_to, ALONE)):
            item.add_marker(pytest.mark.alone)
    examples = config.getoption("--examples")
    for item in items if examples is not None else ():
        test = getattr(item, "obj", None)
        if is_hypothesis_test(test):
            own = test._hypothesis_internal_use_settings
            test._hypothesis_internal_use_settings = settings(
                own, max_examples=examples, derandomize=False, database=None
            )


@pytest.fixture(autouse=True)
def _ids_from_0() -> None:
    factories.EntryFactory.reset_sequence(0)


@pytest.fixture
def clock() -> FakeClock:
    return FakeClock()


def settings_in(folder: Path) -> Settings:
    return Settings(folder, f"sqlite:///{folder}/fettlebook.db", "+01:00")


@pytest.fixture(scope="session")
def migrated(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An empty store's folder, built by migrating; tests work on copies."""
    folder = tmp_path_factory.mktemp("migrated")
    migrate(settings_in(folder).database)
    return folder


@pytest.fixture
def store(request: pytest.FixtureRequest, tmp_path: Path, clock: FakeClock) -> Iterator[Store]:
    """An empty store: SQLite, or PostgreSQL where `ON_BOTH` or --postgresql says so."""
    folder = tmp_path / "book"
    if getattr(request, "param", "sqlite") == "postgresql":
        server = request.getfixturevalue("quick_postgresql")
        with postgres.database(server, f"test_{next(DATABASES)}", "migrated") as url:
            yield from opened_store(Settings(folder, url, "+01:00"), clock)
        return
    shutil.copytree(request.getfixturevalue("migrated"), folder)
    yield from opened_store(settings_in(folder), clock)


def opened_store(settings: Settings, clock: FakeClock) -> Iterator[Store]:
    opened = Store(settings, clock)
    yield opened
    opened.close()


ON_BOTH = {"test_entries", "test_histories", "test_pulling", "test_between_units", "test_late_entries"}


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """What the API promises is kept on either store; the modules that say most of it are run on both."""
    module = metafunc.module.__name__
    if "store" not in metafunc.fixturenames or not module.startswith("tests.api."):
        return
    if metafunc.config.getoption("--postgresql"):
        metafunc.parametrize("store", ("postgresql",), indirect=True)
    elif module.rpartition(".")[2] in ON_BOTH:
        metafunc.parametrize("store", ("sqlite", "postgresql"), indirect=True)


def new_book(store: Store, origin: str) -> Book:
    """An empty book with a few people of every trade in its directory."""
    made = store.new_book(origin, "+01:00")
    with store.writing.begin() as connection:
        for ident, role in PEOPLE.items():
            people.add_person(connection, made.number, ident, ident.title(), role)
        for ident in PARTIES:
            people.add_party(connection, made.number, ident, ident.title())
    return made


@pytest.fixture
def book(store: Store) -> Book:
    return new_book(store, "test.example/depot")


@pytest.fixture
def signing_key(store: Store, book: Book) -> None:
    """The book has its key; on a server the first checkpoint makes none."""
    if store.keys(book).signer() is None:
        store.keys(book).make("2026-01-05T12:00:00.000Z")


@pytest.fixture
def app(store: Store) -> Flask:
    return create_app(store)


def token_of(store: Store, book: Book, role: str, **more: Any) -> str:
    """The text of a new token."""
    with store.writing.begin() as connection:
        return tokens.new_token(connection, book.number, role, store.clock(), **more)[1]


def client_with(app: Flask, token: str | None) -> FlaskClient:
    """A client that sends this token with every request."""
    client = app.test_client()
    if token is not None:
        client.environ_base["HTTP_AUTHORIZATION"] = f"Bearer {token}"
    return client


@pytest.fixture
def client_of(app: Flask, store: Store, book: Book) -> Callable[..., FlaskClient]:
    """Makes a client whose token has a role: `client_of("customer", party="party-a")`."""

    def make(role: str, **more: Any) -> FlaskClient:
        return client_with(app, token_of(store, book, role, **more))

    return make


@pytest.fixture
def client(client_of: Callable[..., FlaskClient]) -> FlaskClient:
    """An admin's client."""
    return client_of("admin")


@pytest.fixture
def bench_client(client_of: Callable[..., FlaskClient]) -> FlaskClient:
    return client_of("bench")


@pytest.fixture
def lead_client(client_of: Callable[..., FlaskClient]) -> FlaskClient:
    return client_of("lead")


@pytest.fixture
def auditor_client(client_of: Callable[..., FlaskClient]) -> FlaskClient:
    return client_of("auditor")


@pytest.fixture
def stranger(app: Flask, book: Book) -> FlaskClient:
    """A client without any token."""
    return client_with(app, None)


@pytest.fixture
def post(client: FlaskClient) -> Callable[..., TestResponse]:
    """Sends an entry, or a list of them, or any JSON value, as an admin: `post(scanned())`."""

    def send(value: Any, **headers: str) -> TestResponse:
        names = {name.replace("_", "-"): text for name, text in headers.items()}
        return client.post("/v1/entries", data=json.dumps(value), content_type="application/json", headers=names)

    return send


@pytest.fixture
def tell(post: Callable[..., TestResponse]) -> Callable[..., list[Any]]:
    """Records entries, none of which may be refused, and gives the recorded ones: `tell(registered(), scanned())`."""

    def record(*entries: Any) -> list[Any]:
        outcomes = post(list(entries)).json["outcomes"]
        assert [201] * len(entries) == [o["status"] for o in outcomes], outcomes
        return [o["entry"] for o in outcomes]

    return record


@pytest.fixture
def ask(client: FlaskClient) -> Callable[..., Any]:
    """Asks as an admin: `ask("/v1/units/U-1/condition", true_at="...")`. The answer has to be 200."""

    def get(path: str, **query: Any) -> Any:
        answer = client.get(path, query_string=query, buffered=True)
        assert 200 == answer.status_code, answer.text
        return answer.json

    return get


@pytest.fixture
def standing_unit(tell: Callable[..., list[Any]]) -> list[Any]:
    """A class with a sheet, two units of it, and a dial gauge that is in date."""
    early = "2026-01-02T08:00:00+01:00"
    return tell(
        factories.sheet_issued(occurred_at=early),
        factories.registered(occurred_at=early),
        factories.registered("U-2", occurred_at=early),
        factories.registered(factories.GAUGE, "GDIAL", occurred_at=early),
        factories.gauge_calibrated(occurred_at=early),
    )


@pytest.fixture
def nothing_asked(standing_unit: list[Any], tell: Callable[..., list[Any]]) -> None:
    """The sheet asks for no check, and three people may sign: a release needs nothing but its signature."""
    early = "2026-01-02T08:30:00+01:00"
    tell(
        factories.sheet_issued(rev=2, effective_on="2025-02-01", changes={"checks": []}, occurred_at=early),
        *(
            factories.authorised(person, "release", "second", occurred_at=early)
            for person in ("ada.bench", "bob.bench", "lou.lead", "sig.signatory")
        ),
    )


# A server store


def programs_of_postgresql() -> Path:
    """Where they are. Without them: a failure where CI says so, elsewhere a skip that is listed."""
    found = postgres.programs()
    if found is None:
        words = "no PostgreSQL on this machine: install it (initdb, postgres) to test the server store"
        if os.environ.get("CI") == "true":
            pytest.fail(words)
        pytest.skip(words)
    return found


@pytest.fixture(scope="session")
def postgresql() -> Iterator[str]:
    """The URL of a throw-away server with durable settings."""
    with postgres.throw_away(programs_of_postgresql()) as url:
        yield url


@pytest.fixture(scope="session")
def quick_postgresql() -> Iterator[str]:
    """The URL of one that waits for no disk, with a database `migrated`: for what asks nothing of durability."""
    with (
        postgres.throw_away(programs_of_postgresql(), "-c", "fsync=off", "-c", "full_page_writes=off") as url,
        postgres.database(url, "migrated") as migrated_url,
    ):
        migrate(migrated_url)
        yield url


@pytest.fixture(scope="session")
def migrated_database(postgresql: str) -> Iterator[str]:
    """A migrated database without rows, that nobody is connected to; tests work on copies."""
    with postgres.database(postgresql, "migrated") as url:
        migrate(url)
        yield url


@pytest.fixture
def server_database(postgresql: str, migrated_database: str) -> Iterator[str]:
    """The URL of a fresh, migrated database."""
    template = migrated_database.rpartition("/")[2]
    with postgres.database(postgresql, f"test_{next(DATABASES)}", template) as url:
        yield url


@pytest.fixture
def postgresql_engine(server_database: str) -> Iterator[Engine]:
    """The engine of a fresh, migrated database."""
    engine = writing_engine(server_database)
    yield engine
    engine.dispose()


# The demo depot


def open_demo(folder: Path) -> SimpleNamespace:
    """The demo's store in this folder, filled when it is not; `client` asks as an admin."""
    opened = Store(settings_in(folder), FakeClock(LATER_THAN_THE_DEMO))
    ready = prepare(opened)
    app = create_app(opened)
    client = client_with(app, ready.admin)

    def get(path: str, **query: Any) -> Any:
        answer = client.get(path, query_string=query, buffered=True)
        assert 200 == answer.status_code, answer.text
        return answer.json

    return SimpleNamespace(store=opened, ready=ready, app=app, client=client, ask=get, folder=folder, book=ready.book)


@pytest.fixture(scope="session")
def filled_demo(tmp_path_factory: pytest.TempPathFactory) -> Iterator[SimpleNamespace]:
    """The demo depot, filled once and never written to: .store .book .app .client .ask(path, **query) .ready"""
    found = open_demo(tmp_path_factory.mktemp("demo"))
    yield found
    found.store.close()


@pytest.fixture
def demo(filled_demo: SimpleNamespace) -> SimpleNamespace:
    return filled_demo


@pytest.fixture
def demo_copy(filled_demo: SimpleNamespace, tmp_path: Path) -> Iterator[SimpleNamespace]:
    """The same depot in a folder of its own, for tests that write."""
    folder = tmp_path / "demo"
    with filled_demo.store.writing.begin():  # nobody writes while the files are copied
        shutil.copytree(filled_demo.folder, folder)
    found = open_demo(folder)
    yield found
    found.store.close()
