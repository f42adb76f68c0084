"""Fixtures of the unit tests: a throw-away PostgreSQL server."""

import os
from collections.abc import Iterator
from itertools import count

import pytest
from sqlalchemy import Engine

from service_api.app import migrate
from service_api.log.engines import writing_engine
from tests import postgres

NUMBERS = count()


@pytest.fixture(scope="session")
def postgresql() -> Iterator[str]:
    """The URL of a throw-away server. Without one: a failure where CI says so, elsewhere a skip that is listed."""
    found = postgres.programs()
    if found is None:
        words = "no PostgreSQL on this machine: install it (initdb, postgres) to test the server store"
        if os.environ.get("CI") == "true":
            pytest.fail(words)
        pytest.skip(words)
    with postgres.throw_away(found) as url:
        yield url


@pytest.fixture
def postgresql_engine(postgresql: str) -> Iterator[Engine]:
    """The engine of a fresh, migrated database."""
    with postgres.database(postgresql, f"test_{next(NUMBERS)}") as url:
        migrate(url)
        engine = writing_engine(url)
        try:
            yield engine
        finally:
            engine.dispose()
