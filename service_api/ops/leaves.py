"""The log of a book looked through from the inside: every text against its leaf, index, page and form; every root.

What is altered so that texts, leaves and head agree again leaves no trace here: it takes somebody who remembers a
root. `roots` are those at the sizes that somebody does.
"""

import gc
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager

from sqlalchemy.exc import DBAPIError

from service_api.log.engines import QuickReader
from service_api.log.merkle import Frontier, leaf_hash, leaf_hashes, tile_root
from service_api.log.tiles import HEIGHT, WIDTH
from service_api.ops.forms import Forms
from service_api.ops.order import Order
from service_api.ops.wrongs import MOST, Wrongs

Progress = Callable[[int], None]
BLOCK = 2 * WIDTH  # entries read at a time
_RUN = "WHERE book = ? AND log_index >= ? AND log_index < ?"
_WHOLE = " AND log_index = CAST(log_index AS BIGINT)"  # SQLite takes fractions too
_TEXTS = "SELECT hashed FROM entry {} ORDER BY log_index"
# The leaves of a run one behind the other, and how many are 32 bytes; in another order they are no block's
_LEAVES = {
    "sqlite": "SELECT CAST(group_concat(leaf, '') AS BLOB), sum(typeof(leaf) = 'blob' AND length(leaf) = 32)"
    " FROM receipt {}",
    "postgresql": "SELECT string_agg(leaf, ''::bytea ORDER BY log_index), count(*) FILTER (WHERE length(leaf) = 32)"
    " FROM receipt {}",
}
_ONE = [
    f"SELECT {column} FROM {table} WHERE book = ? AND log_index = ?"
    for column, table in (("hashed", "entry"), ("leaf", "receipt"))
]


@contextmanager
def uncollected() -> Iterator[None]:
    """Without the collector, which looks for rings among thousands of rows that have none: a third of the time."""
    was = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was:
            gc.enable()


class Leaves:
    """One pass over the first `size` entries of a book.

    sizes : at which the root is wanted, in `roots` afterwards
    form : also read every text, hold it against its canonical form, and its id against the ids of the book, and look
        for rows that stand at no whole index
    """

    def __init__(self, ask: QuickReader, book: int, size: int, sizes: Iterable[int] = (), form: bool = True) -> None:
        self.ask, self.book, self.size = ask, book, size
        run = _RUN + _WHOLE if form else _RUN
        self._texts, self._leaves = (sql.format(run) for sql in (_TEXTS, _LEAVES[ask.engine.dialect.name]))
        self.wrongs = Wrongs()
        self.roots: dict[int, bytes] = {}
        self._order = Order(self.wrongs)
        self._forms = Forms(ask, book, self.wrongs) if form else None
        self._wanted = sorted({n for n in sizes if n <= size})
        self._by_text, self._by_leaf = Frontier(), Frontier()
        self._differ: list[int] = []
        self._blind = False  # neither text nor leaf of some entry

    @property
    def recorded_at(self) -> bytes:
        """The last recorded moment."""
        return self._order.recorded_at

    def look(self, progress: Progress = lambda _: None) -> "Leaves":
        for first in range(0, self.size, BLOCK):
            width = min(BLOCK, self.size - first)
            with uncollected():
                self._block(first, width)
            progress(width)
        self._root_at(self.size, [])
        return self

    def against(self, root: bytes) -> None:
        """Say of every text that is not its leaf's which of the two belongs to the head's root."""
        if self._blind:
            return
        by_text = root == self._by_text.root()
        for at in self._differ:
            if by_text:
                self.wrongs.add("damaged", at, "its leaf is wrong; the head's root was made from its text")
            else:
                self.wrongs.add("edited", at, "its text is not what its leaf was made from")
        if not (by_text or self._differ):
            words = f"the head's root is not that over the {self.size} entries"
            self.wrongs.add("edited", None, words)

    def _block(self, first: int, width: int) -> None:
        """Where all is as it should be, whole tiles are compared; only where something is not, entry by entry."""
        if self._as_it_should_be(first, width):
            return
        for at in range(first, first + width, WIDTH):
            self._one_by_one(at, min(WIDTH, first + width - at))

    def _as_it_should_be(self, first: int, width: int) -> bool:
        """Every text and every leaf is there, and the one hashes to the other."""
        span = (self.book, first, first + width)
        try:
            texts = [text for (text,) in self.ask(self._texts, span)]
            hashes = leaf_hashes(texts)
            ((leaves, sound),) = self.ask(self._leaves, span)
        except (DBAPIError, TypeError):  # a page that cannot be read, words where bytes belong
            return False
        if not (len(texts) == sound == width and b"".join(hashes) == leaves):
            return False
        for at in range(0, width, WIDTH):
            tile = hashes[at : at + WIDTH]
            self._hashes(first + at, tile, tile)
        self._read(first, texts)
        return True

    def _read(self, first: int, texts: Sequence[bytes]) -> None:
        if self._forms:
            self._forms.read(first, texts)
        self._order.read(first, texts)

    def _one_by_one(self, first: int, width: int) -> None:
        hashes, kept = [], []
        for index in range(first, first + width):
            text, leaf = (self._stored(sql, index) for sql in _ONE)
            if text is None:
                self.wrongs.add(
                    "missing", index, "the store has no text of it" + (" and no leaf" if leaf is None else "")
                )
                self._order.lost()
            else:
                self._read(index, [text])
                if leaf is None:
                    self.wrongs.add("missing", index, "the store has no receipt of it")
            if text is None and leaf is None:
                self._blind = True
                continue
            hashes.append(leaf_hash(text) if text is not None else leaf or b"")
            kept.append(leaf if leaf is not None else hashes[-1])
        if not self._blind:
            self._hashes(first, hashes, kept)

    def _stored(self, sql: str, index: int) -> bytes | None:
        try:
            rows = self.ask(sql, (self.book, index))
        except DBAPIError as error:
            self.wrongs.add("damaged", index, f"the store cannot read it: {error.orig}")
            return None
        (stored,) = rows[0] if rows else (None,)
        if stored is None or type(stored) is bytes:
            return stored
        self.wrongs.add("damaged", index, "the store keeps words or a number where bytes belong")
        return stored.encode() if type(stored) is str else None

    def _hashes(self, first: int, by_text: list[bytes], by_leaf: list[bytes]) -> None:
        if by_text != by_leaf and len(self._differ) < MOST:
            self._differ += [
                first + at for at, pair in enumerate(zip(by_text, by_leaf, strict=True)) if pair[0] != pair[1]
            ]
        self._root_at(first + len(by_text) - 1, by_text)
        if len(by_text) == WIDTH:
            root = tile_root(by_text)
            self._by_text.push(root, HEIGHT)
            self._by_leaf.push(root if by_text == by_leaf else tile_root(by_leaf), HEIGHT)
        else:
            for one, other in zip(by_text, by_leaf, strict=True):
                self._by_text.push(one)
                self._by_leaf.push(other)

    def _root_at(self, until: int, after: Sequence[bytes]) -> None:
        """The roots that are wanted up to and including `until`, from the texts so far and these hashes after them."""
        while self._wanted and self._wanted[0] <= until and not self._blind:
            size = self._wanted.pop(0)
            frontier = self._by_text.copy()
            for leaf in after[: size - frontier.size]:
                frontier.push(leaf)
            self.roots[size] = frontier.root()
