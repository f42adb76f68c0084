"""The one writing connection: left ready by an append, and given up to whoever else asks."""

from threading import Thread

import pytest
from sqlalchemy import text

from service_api.log import driver
from service_api.log.engines import writing_engine

COUNT = "UPDATE told SET n = n + 1"


@pytest.fixture
def engine(tmp_path):
    engine = writing_engine(f"sqlite:///{tmp_path}/book.db")
    with engine.begin() as connection:
        connection.execute(text("CREATE TABLE told (n INTEGER NOT NULL)"))
        connection.execute(text("INSERT INTO told VALUES (0)"))
    yield engine
    engine.dispose()


def append(engine):
    with driver.transaction(engine, []) as begun:
        driver.changes(begun.connection).one(COUNT, ())
        return begun.connection


def told(engine):
    with engine.connect() as connection:
        return connection.execute(text("SELECT n FROM told")).scalar_one()


def test_the_next_append_goes_on_where_the_last_one_left_off(engine):
    first = append(engine)
    assert first is append(engine)
    assert 2 == told(engine)


def test_whoever_asks_the_pool_gets_the_connection_that_was_left(engine, monkeypatch):
    monkeypatch.setattr(engine.pool, "_timeout", 0.1)
    first = append(engine)
    with engine.begin() as connection:
        assert first.closed
        connection.execute(text(COUNT))
    append(engine)
    assert 3 == told(engine)


def test_after_an_error_nothing_is_left_and_nothing_was_kept(engine):
    with pytest.raises(RuntimeError), driver.transaction(engine, []) as begun:
        driver.changes(begun.connection).one(COUNT, ())
        raise RuntimeError("the caller gave up")
    assert engine.pool.ready() is None
    assert 0 == told(engine)


def test_appends_and_others_take_turns_and_nobody_is_left_waiting(engine):
    def appends():
        for _ in range(100):
            append(engine)

    def others():
        for _ in range(25):
            with engine.begin() as connection:
                connection.execute(text(COUNT))

    # the recorder's door lets one append in at a time
    threads = [Thread(target=appends), *(Thread(target=others) for _ in range(4))]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert not any(thread.is_alive() for thread in threads)
    assert 200 == told(engine)


def test_a_disposed_engine_begins_anew(engine):
    first = append(engine)
    engine.dispose()
    assert first.closed
    append(engine)
    assert 2 == told(engine)
