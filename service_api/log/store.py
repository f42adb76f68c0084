"""The log of a book: gap-free indexes, a running Merkle root, and entries that are never changed.

Everything here runs inside a transaction: one of `Held`, or one that the caller opened and commits.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from typing import Any, NamedTuple, cast

from sqlalchemy import Connection, Engine, bindparam, insert, select

from service_api.log import driver
from service_api.log import tables as t
from service_api.log.merkle import EMPTY_ROOT, Frontier, leaf_hash


@dataclass(frozen=True)
class Book:
    """One log: its number in the store, its origin name, and the zone in which its days begin."""

    number: int
    origin: str
    zone: str
    simulated: bool = False


@dataclass
class Head:
    """How far the book has come. `recorded_at` is the last entry's; empty while there is none."""

    frontier: Frontier
    recorded_at: str

    @property
    def size(self) -> int:
        return self.frontier.size

    def of_same(self, other: "Head") -> bool:
        """Both are of the same entries: a store that was put back may have gone another way, just as far."""
        return self.size == other.size and self.frontier.hashes == other.frontier.hashes

    def followed(self, texts: Iterable[bytes]) -> "Head":
        """As it is after these entries."""
        after = self.frontier.copy()
        for hashed in texts:
            after.push(leaf_hash(hashed))
        return Head(after, self.recorded_at)


@dataclass(frozen=True)
class Known:
    digest: bytes
    index: int


class Row(NamedTuple):
    """One entry on its way in: its id, the digest of what the client sent, the text that is hashed."""

    id: bytes
    digest: bytes
    hashed: bytes


class Leaf(NamedTuple):
    index: int  # type: ignore[assignment]  # in the place of the tuple's own, which nobody asks for
    leaf: bytes


class Appended(NamedTuple):
    head: Head
    leaves: list[Leaf]


@dataclass(frozen=True)
class Stored:
    index: int
    hashed: bytes


def make_book(connection: Connection, origin: str, zone: str, made_at: str, simulated: bool = False) -> Book:
    """A new, empty book. Raises ValueError when the origin is taken."""
    if find_book(connection, origin):
        raise ValueError(f"there is a book {origin} already")
    number = len(books(connection)) + 1
    connection.execute(
        insert(t.book).values(book=number, origin=origin, zone=zone, simulated=int(simulated), made_at=made_at)
    )
    connection.execute(insert(t.log_head).values(book=number, size=0, edge=b"", root=EMPTY_ROOT, recorded_at=""))
    return Book(number, origin, zone, simulated)


def books(connection: Connection) -> list[Book]:
    rows = connection.execute(select(t.book).order_by(t.book.c.book))
    return [Book(r.book, r.origin, r.zone, bool(r.simulated)) for r in rows]


def find_book(connection: Connection, origin: str) -> Book | None:
    return next((b for b in books(connection) if b.origin == origin), None)


def read_head(connection: Connection, book: int) -> Head:
    row = connection.execute(select(t.log_head).where(t.log_head.c.book == book)).one()
    return Head(Frontier.unpack(row.size, row.edge), row.recorded_at)


def known(connection: Connection, book: int, ids: Iterable[bytes]) -> dict[bytes, Known]:
    """Which of these ids the book has, with the digest of what was sent then and the index."""
    queries = _known_queries(connection.dialect.name, book, list(ids))
    return _known(driver.rows(connection, *query) for query in queries)


def _known_queries(dialect: str, book: int, ids: list[bytes]) -> list[driver.Query]:
    return [
        (f"SELECT id, digest, log_index FROM entry_id WHERE book = ? AND id {among}", (book, *part))
        for among, part in driver.parts(dialect, ids)
    ]


def _known(found: Iterable[list[Any]]) -> dict[bytes, Known]:
    return {bytes(ident): Known(bytes(digest), index) for rows in found for ident, digest, index in rows}


class Held:
    """A transaction that holds the book while it is entered: nobody else moves its head until it ends.

    On a server it is begun, and all looked up, in one round trip; what is looked up is what stands once it is held.
    head : as the lock found it; known : of the ids that were asked for, those that the book has
    besides : the rows of each query that was sent along
    """

    connection: Connection
    head: Head
    known: dict[bytes, Known]
    besides: list[list[Any]]

    def __init__(self, engine: Engine, book: int, ids: Iterable[bytes], besides: Sequence[driver.Query] = ()) -> None:
        dialect = engine.dialect.name
        lock = (
            _LOCK if dialect == "sqlite" else f"{_LOCK} FOR UPDATE"
        )  # SQLite's transactions take theirs as they begin
        queries = [(lock, (book,)), *_known_queries(dialect, book, list(ids))]
        self._own = len(queries)
        self._transaction = driver.transaction(engine, [*queries, *besides])

    def __enter__(self) -> "Held":
        begun = self._transaction.__enter__()
        try:
            (((size, edge, recorded_at),), *found) = begun.found[: self._own]
            self.besides = begun.found[self._own :]
            self.connection, self.known = begun.connection, _known(found)
            self.head = Head(Frontier.unpack(size, edge), recorded_at)
        except BaseException as error:
            self.__exit__(type(error), error, None)
            raise
        return self

    def __exit__(self, kind: object, error: object, trace: object) -> None:
        self._transaction.__exit__(kind, error, trace)


class Ahead:
    """As `Held`, on a server, from the head as it was left: the book is taken when something is first asked.

    When nothing is asked the changes go out as one statement, which holds if the head stands where it was, the book has
    none of the ids, and all that is `provided` is so. Else raises driver.Missed, wherever that shows first; nothing was
    changed then.
    """

    def __init__(
        self, engine: Engine, book: int, head: Head, ids: Sequence[bytes], provided: Sequence[driver.Query]
    ) -> None:
        from service_api.log.postgresql import Later

        self.engine, self.book, self.head, self.ids, self.provided = engine, book, head, ids, provided
        self.known: dict[bytes, Known] = {}
        self._open = ExitStack()
        new = (_NEW, (book, *ids)) if len(ids) == 1 else (_ALL_NEW, (ids, book))
        self.connection = cast(Connection, Later(engine, [new, *provided], self._hold))

    def __enter__(self) -> "Ahead":
        return self

    def __exit__(self, kind: Any, error: Any, trace: Any) -> None:
        self._open.__exit__(kind, error, trace)

    def _hold(self) -> Connection:
        besides = [(f"SELECT {what}", row) for what, row in self.provided]
        held = self._open.enter_context(Held(self.engine, self.book, self.ids, besides))
        if not held.head.of_same(self.head) or held.known or not all(so for ((so,),) in held.besides):
            raise driver.Missed("the book is not where it was left, or what stands beside it is not what it was")
        return held.connection


_NEW = "NOT EXISTS (SELECT 1 FROM entry_id WHERE book = ? AND id = ?)"
# one by one: the plan stays, and planned for a small book another would read all ids of a large one
_ALL_NEW = (
    "NOT EXISTS (SELECT 1 FROM unnest(CAST(? AS bytea[])) AS sent (id)"
    " WHERE (SELECT true FROM entry_id WHERE book = ? AND entry_id.id = sent.id))"
)
_LOCK = "SELECT size, edge, recorded_at FROM log_head WHERE book = ?"


def append(changes: driver.Changes, book: int, head: Head, rows: Sequence[Row], recorded_at: str) -> Appended:
    """Add the rows after `head`; the new head and the leaves. The old head is left as it was.

    recorded_at : of the last of them
    Raises driver.Missed, here or when the changes go out, when the book's head is another.
    """
    after = Head(head.frontier.copy(), recorded_at)
    numbered = list(enumerate(rows, head.size))
    hashes = [leaf_hash(row.hashed) for row in rows]
    for leaf in hashes:
        after.frontier.push(leaf)
    changes.one(
        "UPDATE log_head SET size = ?, edge = ?, root = ?, recorded_at = ? WHERE book = ? AND size = ? AND edge = ?",
        (after.size, after.frontier.pack(), after.frontier.root(), recorded_at, book, head.size, head.frontier.pack()),
    )
    changes.many(
        "INSERT INTO entry (book, log_index, hashed) VALUES (?, ?, ?)", [(book, n, row.hashed) for n, row in numbered]
    )
    ids = [(book, row.id, row.digest, n) for n, row in numbered]
    changes.many("INSERT INTO entry_id (book, id, digest, log_index) VALUES (?, ?, ?, ?)", ids)
    return Appended(after, [Leaf(n, leaf) for n, leaf in enumerate(hashes, head.size)])


def add_receipts(changes: driver.Changes, book: int, leaves: Sequence[Leaf], said: Sequence[bytes | None]) -> None:
    """Keep what was answered for each entry beside its leaf."""
    rows = [(book, leaf.index, leaf.leaf, what) for leaf, what in zip(leaves, said, strict=True)]
    changes.many("INSERT INTO receipt (book, log_index, leaf, said) VALUES (?, ?, ?, ?)", rows)


def read(connection: Connection, book: int, start: int = 0, stop: int | None = None) -> Iterator[Stored]:
    """The entries with start <= index < stop, in order, some at a time."""
    at, end = start, 2**53 if stop is None else stop
    while at < end:
        found = driver.rows(connection, _READ, (book, at, end))
        yield from (Stored(index, hashed) for index, hashed in found)
        if len(found) < BLOCK:
            return
        at = found[-1][0] + 1


BLOCK = 500
_READ = (
    "SELECT log_index, hashed FROM entry WHERE book = ? AND log_index >= ? AND log_index < ?"
    f" ORDER BY log_index LIMIT {BLOCK}"
)


def texts(connection: Connection, book: int, indexes: Iterable[int]) -> list[Stored]:
    """The hashed texts at these indexes, in the order of the book."""
    wanted = sorted(set(indexes))
    found: list[Stored] = []
    for at in range(0, len(wanted), 500):
        rows = connection.execute(_TEXTS, {"book": book, "indexes": wanted[at : at + 500]})
        found += [Stored(r.log_index, r.hashed) for r in rows]
    return found


_TEXTS = (
    select(t.entry.c.log_index, t.entry.c.hashed)
    .where(t.entry.c.book == bindparam("book"), t.entry.c.log_index.in_(bindparam("indexes", expanding=True)))
    .order_by(t.entry.c.log_index)
)


class Receipt(NamedTuple):
    leaf: bytes
    said: bytes | None


def size(ask: driver.Ask, book: int) -> int:
    """How many entries the book has."""
    return int(ask("SELECT size FROM log_head WHERE book = ?", (book,))[0][0])


def head_of(ask: driver.Ask, book: int) -> tuple[int, bytes]:
    """How many entries the book has, and their root. Raises LookupError when the head contradicts itself."""
    ((size, edge, root),) = ask("SELECT size, edge, root FROM log_head WHERE book = ?", (book,))
    if Frontier.unpack(size, bytes(edge)).root() != bytes(root):
        raise LookupError(f"the root kept for {size} entries is not that of the edge kept beside it")
    return size, bytes(root)


def hashed_of(ask: driver.Ask, book: int, start: int, stop: int) -> list[bytes]:
    """The hashed text of each entry with start <= index < stop. Raises LookupError when one is not there."""
    found = ask(_RUN.format("log_index, hashed", "entry"), (book, start, stop))
    if [index for index, _ in found] != list(range(start, stop)):
        raise LookupError(f"the store lacks an entry from {start} to {stop - 1}")
    return [bytes(hashed) for _, hashed in found]


def texts_of(ask: driver.Ask, book: int, indexes: Sequence[int]) -> list[bytes]:
    """The hashed texts at these indexes, which rise. Raises LookupError when one is not there."""
    marks = ", ".join("?" * len(indexes))
    wanted = f"SELECT log_index, hashed FROM entry WHERE book = ? AND log_index IN ({marks}) ORDER BY log_index"
    found = ask(wanted, (book, *indexes))
    if [index for index, _ in found] != list(indexes):
        raise LookupError("the store lacks an entry that it has filed")
    return [bytes(hashed) for _, hashed in found]


def run_of(ask: driver.Ask, book: int, start: int, stop: int) -> list[tuple[bytes, bytes, bytes | None]]:
    """Text, leaf and what was said of each of the entries with start <= index < stop, in order.

    Both rows of an entry are written in one transaction and never changed, so they may be read one after the other.
    """
    entries = ask(_RUN.format("hashed", "entry"), (book, start, stop))
    receipts = ask(_RUN.format("leaf, said", "receipt"), (book, start, stop))
    return [(hashed, leaf, said) for (hashed,), (leaf, said) in zip(entries, receipts, strict=True)]


_RUN = "SELECT {} FROM {} WHERE book = ? AND log_index >= ? AND log_index < ? ORDER BY log_index"


def receipts(connection: Connection, book: int, indexes: Sequence[int]) -> dict[int, Receipt]:
    """The receipts of the entries at these indexes."""
    found: dict[int, Receipt] = {}
    for at in range(0, len(indexes), 500):
        wanted = select(t.receipt.c.log_index, t.receipt.c.leaf, t.receipt.c.said).where(
            t.receipt.c.book == book, t.receipt.c.log_index.in_(indexes[at : at + 500])
        )
        found |= {r.log_index: Receipt(r.leaf, r.said) for r in connection.execute(wanted)}
    return found


def size_known_at(connection: Connection, book: int, moment: str, recorded_at_of: Callable[[bytes], str]) -> int:
    """How many entries the book had heard of by `moment` (UTC text): they never fall, so halving finds it."""
    low, high = 0, read_head(connection, book).size
    while low < high:
        middle = (low + high) // 2
        (stored,) = texts(connection, book, (middle,))
        if recorded_at_of(stored.hashed) <= moment:
            low = middle + 1
        else:
            high = middle
    return low
