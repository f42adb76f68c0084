"""What is remembered between requests is never older than the last commit of this process."""

import pytest
from sqlalchemy import insert

from service_api.log import tables as t
from service_api.log.engines import Commits, QuickReader, Remembering, reading_engine, writing_engine

COUNT = "SELECT count(*) FROM book WHERE book >= ?"


@pytest.fixture
def writing(tmp_path):
    engine = writing_engine(f"sqlite:///{tmp_path}/some.db")
    t.metadata.create_all(engine)
    yield engine
    engine.dispose()


@pytest.fixture
def asked(writing):
    """What is remembered of this store; `asked.times` says how often it was looked up."""
    quickly = QuickReader(reading_engine(str(writing.url)))
    found = Remembering(quickly, Commits(writing))
    found.times = 0

    def ask(sql, parameters):
        found.times += 1
        return quickly(sql, parameters)

    found._ask = ask
    yield found
    quickly.close()
    quickly.engine.dispose()


def a_book(connection, number):
    row = {"book": number, "origin": f"b{number}.example/x", "zone": "UTC", "simulated": 0, "made_at": "2026-01-05"}
    connection.execute(insert(t.book).values(row))


def test_it_is_looked_up_once_until_something_was_committed(writing, asked):
    assert [(0,)] == asked(COUNT, (1,)) == asked(COUNT, (1,))
    assert 1 == asked.times
    assert [(0,)] == asked(COUNT, (2,))
    assert 2 == asked.times
    with writing.begin() as connection:
        a_book(connection, 1)
    assert [(1,)] == asked(COUNT, (1,)) == asked(COUNT, (1,))
    assert 3 == asked.times


def test_what_is_read_while_a_commit_ends_is_not_kept(writing, asked):
    """Until the connection is given back nobody knows on which side of the commit a reader was."""
    with writing.connect() as connection:
        a_book(connection, 1)
        assert [(0,)] == asked(COUNT, (1,))
        connection.commit()
        assert [(1,)] == asked(COUNT, (1,)) == asked(COUNT, (1,))
        assert 3 == asked.times
    assert [(1,)] == asked(COUNT, (1,)) == asked(COUNT, (1,))
    assert 4 == asked.times


def test_a_commit_that_comes_between_the_look_and_the_keeping_is_not_missed(writing, asked):
    real = asked._ask

    def slow(sql, parameters):
        found = real(sql, parameters)
        with writing.begin() as connection:
            a_book(connection, 1)
        return found

    asked._ask = slow
    assert [(0,)] == asked(COUNT, (1,))
    asked._ask = real
    assert [(1,)] == asked(COUNT, (1,))


def test_what_is_undone_and_what_the_driver_commits_changes_nothing_here(writing, asked):
    asked(COUNT, (1,))
    with writing.connect() as connection:
        a_book(connection, 1)
        connection.rollback()
    with writing.connect() as connection:
        own = connection.connection.driver_connection
        own.execute("BEGIN IMMEDIATE")
        own.execute("UPDATE log_head SET size = 0")
        own.commit()
    assert [(0,)] == asked(COUNT, (1,))
    assert 1 == asked.times


def test_no_more_is_kept_than_has_room(asked, monkeypatch):
    monkeypatch.setattr("service_api.log.engines.REMEMBERED", 3)
    for number in range(10):
        asked(COUNT, (number,))
    assert len(asked._kept) <= 3
