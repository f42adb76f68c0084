"""What any store of the log must keep, whatever lies under it. Each back end's test calls `check_log` in one line."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from hashlib import sha256

from sqlalchemy import Engine, Row, text

from service_api.log import driver, store
from service_api.log.merkle import EMPTY_ROOT, Frontier, leaf_hash
from service_api.log.store import Book

SIZE = 100
MOMENT = "2026-01-05T12:00:00.000000Z"
Connect = Callable[[], Engine]
SEALED = ("entry", "entry_id", "receipt")
SEAL = ("is sealed",)
TAKEN = (*SEAL, "duplicate key")  # a server says the latter of a key that stands already


def root_by_the_book(leaves: list[bytes]) -> bytes:
    """RFC 6962, 2.1, transcribed and slow: the yardstick for the quick one."""
    if len(leaves) < 2:
        return sha256(b"".join(b"\0" + leaf for leaf in leaves)).digest()
    k = 1 << (len(leaves) - 1).bit_length() - 1  # the largest power of two below the size
    return sha256(b"\1" + root_by_the_book(leaves[:k]) + root_by_the_book(leaves[k:])).digest()


def check_log(connect: Connect) -> None:
    """Raise AssertionError, naming the promise, unless the store keeps every promise of the log.

    connect : gives an engine on a migrated store without books, whose transactions may write
    """
    engine = connect()
    with engine.begin() as connection:
        first = store.make_book(connection, "conformance.example/first", "UTC", MOMENT)
        second = store.make_book(connection, "conformance.example/second", "UTC", MOMENT)
    given = [b'{"n":%d}' % n + bytes([n]) * n for n in range(SIZE)]
    check_appends(engine, first, given)
    check_reads(engine, first, given)
    check_ids(engine, first, given)
    check_books_apart(engine, first, second)
    check_refused_move(engine, first, given)
    check_roll_back(engine, first, given)
    check_seal(engine, first)
    check_reads(connect(), first, given)


def row_of(n: int, hashed: bytes) -> store.Row:
    return store.Row(n.to_bytes(16, "big"), sha256(hashed).digest(), hashed)


def check_appends(engine: Engine, book: Book, given: list[bytes]) -> None:
    """Indexes start at 0 and leave no gap; at every size the root is that of the slow rule of the RFC."""
    with engine.begin() as connection:
        head = store.read_head(connection, book.number)
    assert (0, EMPTY_ROOT, "") == (head.size, head.frontier.root(), head.recorded_at), "a new book is empty"
    size, batch = 0, 1
    while size < len(given):  # of one, two, three, one, two ...: the head has to go on from any size
        fresh = given[size : size + batch]
        rows = [row_of(size + n, hashed) for n, hashed in enumerate(fresh)]
        with store.Held(engine, book.number, [row.id for row in rows]) as held:
            assert (head.size, {}) == (held.head.size, held.known), "who holds the book is told where it stands"
            changes = driver.changes(held.connection)
            done = store.append(changes, book.number, held.head, rows, f"moment {size:03}")
            said = [hashed if n % 2 else None for n, hashed in enumerate(fresh)]
            store.add_receipts(changes, book.number, done.leaves, said)
            changes.commit()
        assert list(range(size, size + len(fresh))) == [leaf.index for leaf in done.leaves], "no gap in the indexes"
        assert [leaf_hash(hashed) for hashed in fresh] == [leaf.leaf for leaf in done.leaves], "a leaf of each text"
        assert size == head.size, "the old head is left as it was"
        with engine.begin() as connection:
            head = store.read_head(connection, book.number)
            kept = store.receipts(connection, book.number, [leaf.index for leaf in done.leaves])
        size += len(fresh)
        batch = batch % 3 + 1
        assert size == head.size, "the head counts every entry"
        assert root_by_the_book(given[:size]) == head.frontier.root() == done.head.frontier.root(), "the root of each"
        assert f"moment {size - len(fresh):03}" == head.recorded_at, "the head knows the last moment"
        assert said == [kept[leaf.index].said for leaf in done.leaves], "what was said is kept beside the leaf"


def check_reads(engine: Engine, book: Book, given: list[bytes]) -> None:
    """Bytes come back as they went in, in the order of the book, from any index to any other, and one by one."""
    whole = [store.Stored(n, hashed) for n, hashed in enumerate(given)]
    with engine.begin() as connection:
        assert whole == list(store.read(connection, book.number)), "bytes come back as they went in"
        assert whole[7:31] == list(store.read(connection, book.number, 7, 31)), "from an index up to another"
        assert [] == list(store.read(connection, book.number, SIZE)), "nothing is past the end"
        assert [whole[3], whole[99]] == store.texts(connection, book.number, (99, 3, 99)), "one by one, in order"
        kept = store.receipts(connection, book.number, range(31))
        assert leaf_hash(given[5]) == kept[5].leaf, "the leaf is that of the bytes"
        ask = partial(driver.rows, connection)
        run = [(given[n], leaf_hash(given[n]), kept[n].said) for n in range(7, 31)]
        assert SIZE == store.size(ask, book.number), "the head counts every entry"
        assert run == store.run_of(ask, book.number, 7, 31), "with their receipts, from an index up to another"
        assert [] == store.run_of(ask, book.number, SIZE, SIZE + 7), "nothing is past the end"


def check_ids(engine: Engine, book: Book, given: list[bytes]) -> None:
    """An id is known again with the digest of what was sent then; a new one is not."""
    rows = [row_of(n, hashed) for n, hashed in enumerate(given)]
    wanted = [row.id for row in rows] * 12 + [b"\xff" * 16]  # more than a statement takes at once
    with engine.begin() as connection:
        found = store.known(connection, book.number, wanted)
        assert {row.id: store.Known(row.digest, n) for n, row in enumerate(rows)} == found, "ids are known again"
        assert {} == store.known(connection, book.number, []), "nothing is known of nothing"


def check_books_apart(engine: Engine, first: Book, second: Book) -> None:
    """One book's entries and ids are nothing to another."""
    with store.Held(engine, second.number, [row_of(0, b"").id]) as held:
        assert {} == held.known, "an id belongs to one book"
        changes = driver.changes(held.connection)
        done = store.append(changes, second.number, held.head, [row_of(0, b"another")], MOMENT)
        assert 0 == done.leaves[0].index, "each book counts from 0"
        changes.commit()
    with engine.begin() as connection:
        assert [store.Stored(0, b"another")] == list(store.read(connection, second.number)), "books are apart"
        assert SIZE == store.read_head(connection, first.number).size, "books are apart"
    with engine.begin() as connection:
        assert [first, second] == store.books(connection), "books are listed in the order in which they were made"
        try:
            store.make_book(connection, first.origin, "UTC", MOMENT)
        except ValueError:
            return
    raise AssertionError("an origin names one book")


def check_refused_move(engine: Engine, book: Book, given: list[bytes]) -> None:
    """Who appends after another head than the book's writes nothing, even when the transaction is committed."""
    with engine.begin() as connection:
        ahead = store.read_head(connection, book.number)
    ahead.frontier.push(leaf_hash(b"never written"))
    for stale in (store.Head(Frontier(), ""), ahead):
        with store.Held(engine, book.number, ()) as held:
            try:
                _append(held, book, stale, row_of(900, b"stale"))
            except driver.Missed:
                continue
            raise AssertionError("a stale head must not append")
    with refused("an id stands in a book once", *TAKEN), store.Held(engine, book.number, ()) as held:
        _append(held, book, held.head, row_of(7, b"another text"))
    _nothing_changed(engine, book, given)


def check_roll_back(engine: Engine, book: Book, given: list[bytes]) -> None:
    """A transaction that its caller gives up leaves nothing behind."""
    with refused("the caller gave up", "the caller gives up"), store.Held(engine, book.number, ()) as held:
        changes = driver.changes(held.connection)
        store.append(changes, book.number, held.head, [row_of(902, b"given up")], MOMENT)
        changes.settle()
        raise RuntimeError("the caller gives up")
    _nothing_changed(engine, book, given)


def _append(held: store.Held, book: Book, head: store.Head, row: store.Row) -> None:
    changes = driver.changes(held.connection)
    store.append(changes, book.number, head, [row], MOMENT)
    changes.commit()


def _nothing_changed(engine: Engine, book: Book, given: list[bytes]) -> None:
    with engine.begin() as connection:
        head = store.read_head(connection, book.number)
        assert root_by_the_book(given) == head.frontier.root(), "a refused append moves no head"
        assert given == [stored.hashed for stored in store.read(connection, book.number)], "and writes no entry"
        strangers = [row_of(n, b"").id for n in (900, 902)]
        assert {} == store.known(connection, book.number, strangers), "and keeps no id"


@contextmanager
def refused(promise: str, *words: str) -> Iterator[None]:
    """The block has to fail with one of these words in the error.

    The words keep a slip in a statement of ours from passing as a promise kept.
    """
    try:
        yield
    except Exception as error:  # each driver has a family of its own
        assert any(word in str(error) for word in words), f"{promise}: it failed for another reason: {error}"
        return
    raise AssertionError(promise)


# The seal

Attack = tuple[str, dict[str, object], tuple[str, ...]]


def check_seal(engine: Engine, book: Book) -> None:
    """No statement changes, removes or replaces a row of a sealed table, by whatever key it is named."""
    for table in SEALED:
        before = _rows(engine, table)
        for statement, values, why in _attacks(engine.dialect.name, table, book.number):
            with refused(f"sealed against: {statement}", *why), engine.begin() as connection:
                connection.execute(text(statement), values)
        assert before == _rows(engine, table), f"{table} is as it was"


def _rows(engine: Engine, table: str) -> list[Row[tuple[object, ...]]]:
    with engine.begin() as connection:
        return list(connection.execute(text(f"SELECT * FROM {table} ORDER BY 1, 2")))


def _attacks(dialect: str, table: str, book: int) -> Iterator[Attack]:
    key, value = ("id", "digest") if table == "entry_id" else ("log_index", "hashed" if table == "entry" else "leaf")
    which = row_of(7, b"").id if table == "entry_id" else 7
    values: dict[str, object] = {"book": book, "key": which, "forged": b"forged", "index": 7}
    here = f"WHERE book = :book AND {key} = :key"
    named = {k: values[k] for k in ("book", "key")}
    forged = {k: values[k] for k in ("book", "key", "forged")}
    yield f"UPDATE {table} SET {value} = :forged {here}", forged, SEAL
    yield f"UPDATE {table} SET {value} = {value}", {}, SEAL
    yield f"UPDATE {table} SET book = book + 1 {here}", named, SEAL
    yield f"DELETE FROM {table} {here}", named, SEAL
    yield f"DELETE FROM {table}", {}, SEAL
    columns = f"book, {key}, {value}" + (", log_index" if table == "entry_id" else "")
    row = f"({columns}) VALUES (:book, :key, :forged" + (", :index)" if table == "entry_id" else ")")
    used = {k: v for k, v in values.items() if k != "index" or table == "entry_id"}
    upsert = f"ON CONFLICT (book, {key}) DO UPDATE SET {value} = excluded.{value}"
    yield f"INSERT INTO {table} {row}", used, TAKEN
    yield f"INSERT INTO {table} {row} {upsert}", used, SEAL
    if dialect == "sqlite":
        yield f"INSERT OR REPLACE INTO {table} {row}", used, SEAL
        yield f"REPLACE INTO {table} {row}", used, SEAL
        yield f"UPDATE OR REPLACE {table} SET {key} = :key WHERE book = :book", named, SEAL
        # a hidden row number would be a second key, by which REPLACE deletes a row past the triggers
        numbered = row.replace("(book", "(rowid, book", 1).replace("(:book", "(7, :book", 1)
        yield f"INSERT OR REPLACE INTO {table} {numbered}", used | {"key": _fresh(which)}, ("rowid",)
    else:
        yield f"TRUNCATE {table}", {}, SEAL


def _fresh(which: object) -> object:
    return b"\xee" * 16 if isinstance(which, bytes) else SIZE
