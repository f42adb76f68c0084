"""The newest entries held against the head: a sound end of any size passes, and every way to break it is found."""

import pytest
from sqlalchemy import Engine, text

from service_api.log import driver, tail
from service_api.log import store as log
from service_api.log.conformance import MOMENT, row_of
from service_api.log.tail import TailBroken, check_tail


@pytest.fixture(params=("sqlite", "postgresql"))
def engine(request) -> Engine:
    if request.param == "sqlite":
        return request.getfixturevalue("store").writing
    return request.getfixturevalue("postgresql_engine")


def grown(engine, sizes):
    """A book that took batches of these sizes; the end is looked at after each."""
    with engine.begin() as connection:
        book = log.make_book(connection, f"tail.example/{sum(sizes)}", "UTC", MOMENT)
        n = 0
        for size in sizes:
            head = log.read_head(connection, book.number)
            rows = [row_of(n + i, b'{"n":%d}' % (n + i)) for i in range(size)]
            changes = driver.changes(connection)
            done = log.append(changes, book.number, head, rows, MOMENT)
            log.add_receipts(changes, book.number, done.leaves, [None] * size)
            changes.settle()
            n += size
            check_tail(connection, book.number)
    return book


def test_a_sound_end_passes_at_every_size(store, monkeypatch):
    monkeypatch.setattr(tail, "MOST", 8)
    grown(store.writing, [1] * 70)


def test_an_empty_book_has_a_sound_end(engine):
    grown(engine, [])


ENTRY = "entry WHERE book = :book AND log_index = 20"
BREAKS = {
    "the last entry is gone": ("DELETE FROM entry WHERE book = :book AND log_index = 24", "counts 25"),
    "an entry lies past the head": (
        "INSERT INTO entry SELECT book, 25, hashed FROM entry WHERE book = :book AND log_index = 24",
        "counts 25",
    ),
    "an entry is gone": (f"DELETE FROM {ENTRY}", "entry 20 is missing"),
    "an entry has another text": (
        "UPDATE entry SET hashed = (SELECT e.hashed FROM entry e WHERE e.book = :book AND e.log_index = 19)"
        " WHERE book = :book AND log_index = 20",
        "receipt of entry 20",
    ),
    "an entry and its receipt are another's": (
        "UPDATE entry SET hashed = (SELECT e.hashed FROM entry e WHERE e.book = :book AND e.log_index = 19)"
        " WHERE book = :book AND log_index = 20;"
        "UPDATE receipt SET leaf = (SELECT r.leaf FROM receipt r WHERE r.book = :book AND r.log_index = 19)"
        " WHERE book = :book AND log_index = 20",
        "entries 16 to 23 are not those",
    ),
    "an id is gone": ("DELETE FROM entry_id WHERE book = :book AND log_index = 20", "entry 20 has no id"),
    "the root is another": ("UPDATE log_head SET root = edge WHERE book = :book", "root"),
}


@pytest.mark.parametrize("broken", BREAKS)
def test_it_is_found_when(broken, engine):
    """A book of 25: its edge has subtrees of 16, 8 and 1 entries (25 = 16 + 8 + 1)."""
    statements, words = BREAKS[broken]
    book = grown(engine, [10, 15])
    with engine.begin() as connection:
        _unseal(connection)
        for statement in statements.split(";"):
            assert 1 == connection.execute(text(statement), {"book": book.number}).rowcount
        with pytest.raises(TailBroken, match=words):
            check_tail(connection, book.number)


def _unseal(connection):
    if connection.dialect.name == "postgresql":
        for table in log.t.SEALED:
            connection.execute(text(f"ALTER TABLE {table} DISABLE TRIGGER USER"))
        return
    triggers = connection.execute(text("SELECT name FROM sqlite_master WHERE type = 'trigger'")).scalars().all()
    for name in triggers:
        connection.execute(text(f"DROP TRIGGER {name}"))
