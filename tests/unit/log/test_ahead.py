"""Appends to a server that go by the head as it was left, and take the book only when they ask it something."""

import time
from threading import Thread

import psycopg
import pytest
from sqlalchemy import text
from sqlalchemy.exc import DBAPIError, OperationalError

from service_api.log import driver, store
from service_api.log.conformance import MOMENT, root_by_the_book, row_of
from service_api.log.engines import appending_engine, writing_engine
from service_api.log.merkle import leaf_hash
from service_api.log.postgresql import Line

TRUE, FALSE = ("? = 1", (1,)), ("? = 1", (2,))


@pytest.fixture
def other(server_database):
    engine = writing_engine(server_database)
    yield engine
    engine.dispose()


@pytest.fixture
def engine(server_database):
    engine = appending_engine(server_database)
    yield engine
    engine.dispose()


@pytest.fixture
def book(other):
    with other.begin() as connection:
        return store.make_book(connection, "ahead.example/book", "UTC", MOMENT)


def rows(first, last):
    return [row_of(n, b'{"n":%d}' % n) for n in range(first, last)]


def put(engine, book, head, fresh, *provided, before=None):
    with store.Ahead(engine, book.number, head, [row.id for row in fresh], provided) as ahead:
        if before:
            before(ahead)
        changes = driver.changes(ahead.connection)
        done = store.append(changes, book.number, head, fresh, MOMENT)
        store.add_receipts(changes, book.number, done.leaves, [None] * len(fresh))
        changes.commit()
    return done.head


def stands(other, book):
    """The head, which has to be that of the entries, with an id and a receipt for each."""
    with other.begin() as connection:
        head = store.read_head(connection, book.number)
        texts = [stored.hashed for stored in store.read(connection, book.number)]
        kept = [
            connection.execute(text(f"SELECT count(*) FROM {t}")).scalar() for t in ("entry", "entry_id", "receipt")
        ]
    assert [head.size] * 3 == kept
    assert root_by_the_book(texts) == head.frontier.root()
    return head


def test_entries_follow_one_another_without_a_gap(engine, other, book):
    head, size = stands(other, book), 0
    for number in (1, 1, 3, 1, 7, 2):
        head = put(engine, book, head, rows(size, size + number), TRUE)
        size += number
        assert size == stands(other, book).size
    with other.begin() as connection:
        assert [leaf_hash(b'{"n":%d}' % n) for n in range(size)] == [
            receipt.leaf for _, receipt in sorted(store.receipts(connection, book.number, range(size)).items())
        ]


def test_it_goes_out_in_one_round_trip(engine, other, book, monkeypatch):
    head = put(engine, book, stands(other, book), rows(0, 1))
    head = put(engine, book, head, rows(1, 2))
    trips = []
    asked = Line.rows
    monkeypatch.setattr(Line, "rows", lambda self, *query: trips.append(query) or asked(self, *query))
    monkeypatch.setattr(Line, "together", None)
    put(engine, book, head, rows(2, 3))
    assert 1 == len(trips)


@pytest.mark.parametrize("many", [1, 3])
@pytest.mark.parametrize("asks", [False, True])
def test_what_is_not_as_it_was_left_holds_nothing(engine, other, book, asks, many):
    """Whether it shows at the end or with the first question."""
    start = stands(other, book)
    head = put(engine, book, start, rows(0, 5))
    before = (lambda ahead: ahead.connection.execute(text("SELECT 1"))) if asks else None
    known = [*rows(4, 5), *rows(10, 9 + many)]
    for at, fresh, provided in (
        (start, rows(10, 10 + many), ()),
        (head, known, ()),
        (head, rows(10, 10 + many), (TRUE, FALSE)),
    ):
        with pytest.raises(driver.Missed):
            put(engine, book, at, fresh, *provided, before=before)
        assert 5 == stands(other, book).size
    assert 5 + many == put(engine, book, head, rows(10, 10 + many), TRUE, before=before).size
    assert 5 + many == stands(other, book).size


@pytest.mark.parametrize("asks", [False, True])
def test_a_book_that_is_as_long_and_holds_other_entries_is_another(engine, other, book, asks):
    start = stands(other, book)
    gone = start.followed([b"an entry that was rolled back with the store"])
    head = put(engine, book, start, rows(0, 1))
    before = (lambda ahead: ahead.connection.execute(text("SELECT 1"))) if asks else None
    with pytest.raises(driver.Missed):
        put(engine, book, gone, rows(1, 2), before=before)
    assert 1 == stands(other, book).size
    assert 2 == put(engine, book, head, rows(1, 2), before=before).size


def test_an_error_of_one_part_undoes_all(engine, other, book):
    first = put(engine, book, stands(other, book), rows(0, 1))
    second = put(engine, book, first, rows(1, 2))
    say = text("UPDATE log_head SET size = :size, edge = :edge")
    with other.begin() as connection:  # somebody's hand: entry 1 would be written once more
        connection.execute(say, {"size": 1, "edge": first.frontier.pack()})
    with pytest.raises(DBAPIError, match="duplicate key"):
        put(engine, book, first, rows(7, 8))
    with other.begin() as connection:
        connection.execute(say, {"size": 2, "edge": second.frontier.pack()})
    assert 2 == stands(other, book).size
    assert 3 == put(engine, book, second, rows(7, 8)).size


def test_the_book_is_held_from_the_first_question_on(engine, other, book):
    head = stands(other, book)
    look = text("SELECT size FROM log_head FOR UPDATE NOWAIT")

    def free():
        try:
            with other.begin() as connection:
                connection.execute(look)
        except OperationalError as error:
            assert isinstance(error.orig, psycopg.errors.LockNotAvailable)
            return False
        return True

    found = []

    def asks(ahead):
        found.append(free())
        ahead.connection.execute(text("SELECT 1"))
        found.append(free())

    put(engine, book, head, rows(0, 1), before=asks)
    assert [True, False, True] == [*found, free()]


def test_who_waits_for_another_that_moves_the_head_finds_it_moved(engine, server_database, other, book):
    """The other holds the book when the statement comes; it is moved on before the statement may look."""
    head = stands(other, book)
    end = []

    def late():
        try:
            end.append(put(engine, book, head, rows(7, 8)))
        except driver.Missed as missed:
            end.append(missed)

    second = appending_engine(server_database)
    thread = Thread(target=late)
    with store.Held(second, book.number, ()) as held:
        thread.start()
        _wait_for_one_that_waits(other)
        changes = driver.changes(held.connection)
        done = store.append(changes, book.number, held.head, rows(0, 1), MOMENT)
        store.add_receipts(changes, book.number, done.leaves, [None])
        changes.commit()
    thread.join(20)
    second.dispose()
    assert isinstance(end[0], driver.Missed)
    assert 1 == stands(other, book).size


def _wait_for_one_that_waits(other):
    waiting = text("SELECT count(*) FROM pg_stat_activity WHERE wait_event_type = 'Lock'")
    for _ in range(200):
        with other.begin() as connection:
            if connection.execute(waiting).scalar():
                return
        time.sleep(0.05)
    raise AssertionError("nobody waits")


def test_a_line_that_broke_while_it_lay_idle_is_told_before_anything_is_sent(engine, other, book):
    head = put(engine, book, stands(other, book), rows(0, 1))
    with other.begin() as connection:
        others = "pid <> pg_backend_pid() AND datname = current_database()"
        assert connection.execute(
            text(f"SELECT pg_terminate_backend(pid, 5000) FROM pg_stat_activity WHERE {others}")
        ).all()
    with pytest.raises(driver.Missed):
        put(engine, book, head, rows(1, 2))
    with store.Held(engine, book.number, ()) as held:
        assert 1 == held.head.size
    assert 2 == put(engine, book, head, rows(1, 2)).size
