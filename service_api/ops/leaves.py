"""The log of a book looked through from the inside: every text against its leaf, index, page and form; every root.

What is altered so that texts, leaves and head agree again leaves no trace here: it takes somebody who remembers a
root. `roots` are those at the sizes that somebody does.
"""

import gc
import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from hashlib import sha256
from operator import le
from typing import Any

import orjson
from sqlalchemy.exc import DBAPIError

from service_api.log import driver
from service_api.log.merkle import Frontier, leaf_hash, leaf_hashes, tile_root
from service_api.log.tiles import HEIGHT, WIDTH
from service_api.ops.wrongs import MOST, Wrongs
from service_api.wire.canonical import entry_text

Progress = Callable[[int], None]
BLOCK = 2 * WIDTH  # entries read at a time
ADDED = ("index", "seq", "recorded_at", "recorded_by", "signed")
COMPLETED = ("unit.released", "release.reissued")  # the service puts a certificate into what the client sent
_WHAT = (("hashed", "entry"), ("leaf", "receipt"))
_RUNS, _WHOLE_RUNS, _ONE = (
    [f"SELECT {column} FROM {table} WHERE book = ? AND {among} ORDER BY log_index" for column, table in _WHAT]
    for among in (
        "log_index >= ? AND log_index < ?",
        "log_index >= ? AND log_index < ? AND log_index = CAST(log_index AS BIGINT)",  # SQLite takes fractions too
        "log_index = ?",
    )
)
_IDS = "SELECT id, digest, log_index FROM entry_id WHERE book = ? AND id IN ({})"


# What stands in a canonical text from the book's own index on: words, numbers and closed records. Nothing behind `data`
# can be taken for one of these members. Written so that nothing is tried twice: `++` gives nothing back, and an
# alternative to nothing is quicker than `?`.
_INDEX = b',"index":'
_WORD = rb'"[^"\\]*+(?:"|(?:\\.[^"\\]*+)++")'
_PLACE = re.compile(
    rb'%(i)b(\d{1,16}+),(?:"job":%(w)b,|)"occurred_at":"[^"]*+","recorded_at":"([^"]*+)","recorded_by":%(w)b,'
    rb'(?:"seen_index":\d++,|)"seq":(\d{1,16}+),(?:"signed":\{[^{}]*+\},|)(?:"site":%(w)b,|)'
    rb'(?:"source":\{(?:[^"{}]|%(w)b)*+\},|)"subject":"([^"]*+)"' % {b"i": _INDEX, b"w": _WORD},
    re.S,
)
Place = tuple[bytes, bytes, bytes, bytes]  # index, recorded moment, running number and subject


def stated(texts: Iterable[bytes]) -> list[Place]:
    """What each of these canonical texts says of its place. Raises ValueError where one is no entry."""
    match = _PLACE.match
    try:
        return [match(text, text.rfind(_INDEX)).groups() for text in texts]  # type: ignore[union-attr,misc]
    except AttributeError:
        raise ValueError("it is no entry") from None


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


def _numbers(words: Iterable[bytes]) -> list[int]:
    """Digits as numbers, all at once. Raises ValueError for a form that no number has in JSON."""
    found: list[int] = orjson.loads(b"[%b]" % b",".join(words))
    return found


class Leaves:
    """One pass over the first `size` entries of a book.

    sizes : at which the root is wanted, in `roots` afterwards
    form : also read every text, hold it against its canonical form, and its id against the ids of the book, and look
        for rows that stand at no whole index
    """

    def __init__(self, ask: driver.Ask, book: int, size: int, sizes: Iterable[int] = (), form: bool = True) -> None:
        self.ask, self.book, self.size, self.form = ask, book, size, form
        self._sql = _WHOLE_RUNS if form else _RUNS
        self.wrongs = Wrongs()
        self.roots: dict[int, bytes] = {}
        self.recorded_at = b""
        self._wanted = sorted({n for n in sizes if n <= size})
        self._by_text, self._by_leaf = Frontier(), Frontier()
        self._differ: list[int] = []
        self._seqs: dict[bytes, int] = {}
        self._jumped: set[bytes] | None = None  # pages seen since an entry was lost, whose numbers may have jumped
        self._blind = False  # neither text nor leaf of some entry

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
        by_leaf = root == self._by_leaf.root()
        for at in self._differ:
            if by_leaf or root != self._by_text.root():
                self.wrongs.add("edited", at, "its text is not what its leaf was made from")
            else:
                self.wrongs.add("damaged", at, "its leaf is wrong; the head's root was made from its text")
        if root not in (self._by_leaf.root(), self._by_text.root()) and not self._differ:
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
            texts, leaves = ([what for (what,) in self.ask(sql, span)] for sql in self._sql)
            right = len(texts) == width and leaf_hashes(texts) == leaves
        except (DBAPIError, TypeError):  # a page that cannot be read, words where bytes belong
            return False
        if right:
            for at in range(0, width, WIDTH):
                self._hashes(first + at, leaves[at : at + WIDTH], leaves[at : at + WIDTH])
            self._read(first, texts)
        return right

    def _one_by_one(self, first: int, width: int) -> None:
        hashes, kept = [], []
        for index in range(first, first + width):
            text, leaf = (self._stored(sql, index) for sql in _ONE)
            if text is None:
                self.wrongs.add(
                    "missing", index, "the store has no text of it" + (" and no leaf" if leaf is None else "")
                )
                self._jumped = set()
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

    def _read(self, first: int, texts: Sequence[bytes]) -> None:
        if self.form:
            self._forms(first, texts)
        right = self._in_order(first, texts)
        for index, text in enumerate(texts[right:], first + right):
            self._read_one(index, text)

    def _in_order(self, first: int, texts: Sequence[bytes]) -> int:
        """How many of the texts are plainly where they belong; the others are to be read one by one."""
        try:
            places, moments, numbers, subjects = zip(*stated(texts), strict=True)
            stand = _numbers(places) == list(range(first, first + len(texts)))
            follow = zip(subjects, _numbers(numbers), strict=True)
        except ValueError:
            return 0
        if not (stand and all(map(le, (self.recorded_at, *moments), moments)) and self._jumped is None):
            return 0
        seqs = self._seqs
        for at, (subject, seq) in enumerate(follow):
            if seqs.get(subject, 0) != seq:
                self.recorded_at = moments[at - 1] if at else self.recorded_at
                return at
            seqs[subject] = seq + 1
        self.recorded_at = moments[-1]
        return len(texts)

    def _read_one(self, index: int, text: bytes) -> None:
        try:
            ((place, at, number, subject),) = stated([text])
        except ValueError:
            self.wrongs.add("edited", index, "it is no entry")
            self._jumped = set()
            return
        seq, wanted = int(number), self._seqs.get(subject, 0)
        self._seqs[subject] = seq + 1
        if seq != wanted or int(place) != index or at < self.recorded_at:
            self._misplaced(index, int(place), at, subject, seq, wanted)
        else:
            self.recorded_at = at
        if self._jumped is not None:
            self._jumped.add(subject)

    def _misplaced(self, index: int, place: int, at: bytes, subject: bytes, seq: int, wanted: int) -> None:
        if place != index:
            self.wrongs.add("reordered", index, f"its text says that it is entry {place}")
        if seq != wanted:
            self._off_its_page(index, subject, seq, wanted)
        if at < self.recorded_at:
            self.wrongs.add("reordered", index, "it was recorded before the entry before it")
        self.recorded_at = max(at, self.recorded_at)

    def _off_its_page(self, index: int, subject: bytes, seq: int, wanted: int) -> None:
        if self._jumped is not None and subject not in self._jumped and seq > wanted:
            return  # what lies between is missing, which has been said
        words = f"it is number {seq} on the page of {subject.decode()}, where {wanted} belongs"
        self.wrongs.add("missing" if seq > wanted else "inserted", index, words)

    def _forms(self, first: int, texts: Sequence[bytes]) -> None:
        read: dict[bytes, tuple[int, dict[str, Any]]] = {}
        for index, text in enumerate(texts, first):
            try:
                entry = orjson.loads(text)
                if entry_text(entry) != text or (_fraction_in(text) and _has_fraction(entry)):
                    self.wrongs.add("edited", index, "its text is not in canonical form")
                read[bytes.fromhex(entry["id"].replace("-", ""))] = index, entry
            except (ValueError, KeyError, TypeError, AttributeError):
                self.wrongs.add("edited", index, "it is no entry")
        self._ids(read)

    def _ids(self, read: dict[bytes, tuple[int, dict[str, Any]]]) -> None:
        rows = self.ask(_IDS.format(", ".join("?" * len(read))), (self.book, *read)) if read else []
        kept = {bytes(ident): (bytes(digest), index) for ident, digest, index in rows}
        for ident, (index, entry) in read.items():
            found = kept.get(ident)
            if found is None:
                self.wrongs.add("missing", index, "the store does not know its id: it could be recorded twice")
            elif found[1] != index:
                self.wrongs.add("reordered", index, f"its id stands for entry {found[1]}")
            elif entry.get("type") not in COMPLETED and found[0] != _sent(entry):
                self.wrongs.add("edited", index, "what was sent under its id is another than its text")


def _sent(entry: dict[str, Any]) -> bytes:
    """The digest of what the client sent: the book's own members, which were added to it (DESIGN 4), are taken out."""
    for name in ADDED:
        entry.pop(name, None)
    return sha256(entry_text(entry)).digest()


# A number with a fraction, or text that looks like one; each begins with what can be looked for quickly
_FRACTIONS = [re.compile(mark + rb"-?\d+[.eE]") for mark in (rb'":', rb",", rb"\[")]


def _fraction_in(text: bytes) -> bool:
    return any(each.search(text) for each in _FRACTIONS)


def _has_fraction(value: Any) -> bool:
    if isinstance(value, dict):
        return any(map(_has_fraction, value.values()))
    return any(map(_has_fraction, value)) if isinstance(value, list) else isinstance(value, float)
