"""The log of a book looked through from the inside: every text against its leaf, index, page and form; every root.

What is altered so that texts, leaves and head agree again leaves no trace here: it takes somebody who remembers a
root. `roots` are those at the sizes that somebody does.
"""

import gc
import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from hashlib import sha256
from typing import Any

import orjson

from service_api.log import driver
from service_api.log.merkle import Frontier, leaf_hash, tile_root
from service_api.log.tiles import HEIGHT, WIDTH
from service_api.ops.wrongs import MOST, Wrongs
from service_api.wire.canonical import entry_text

Progress = Callable[[int], None]
BLOCK = 4 * WIDTH  # entries read at a time
ADDED = ("index", "seq", "recorded_at", "recorded_by", "signed")
COMPLETED = ("unit.released", "release.reissued")  # the service puts a certificate into what the client sent
_RUN = "SELECT log_index, {} FROM {} WHERE book = ? AND log_index >= ? AND log_index < ? ORDER BY log_index"
_TEXTS, _LEAVES = _RUN.format("hashed", "entry"), _RUN.format("leaf", "receipt")
_IDS = "SELECT id, digest, log_index FROM entry_id WHERE book = ? AND id IN ({})"


# What stands in a canonical text from the book's own index on: words, numbers and closed records. Nothing behind `data`
# can be taken for one of these members.
_WORD = rb'"[^"\\]*(?:\\.[^"\\]*)*"'
_PLACE = re.compile(
    rb',"index":(?P<place>\d+),(?:"job":%(w)b,)?"occurred_at":%(w)b,"recorded_at":"(?P<at>[^"]*)","recorded_by":%(w)b,'
    rb'(?:"seen_index":\d+,)?"seq":(?P<seq>\d+),(?:"signed":\{[^{}]*\},)?(?:"site":%(w)b,)?'
    rb'(?:"source":\{(?:[^"{}]|%(w)b)*\},)?"subject":"(?P<subject>[^"]*)"' % {b"w": _WORD},
    re.S,
)


def stated(text: bytes) -> tuple[bytes, bytes, bytes, bytes]:
    """Index, recorded moment, running number and subject as a canonical text says them. Raises ValueError."""
    found = _PLACE.match(text, max(text.rfind(b',"index":'), 0))
    if found is None:
        raise ValueError("it is no entry")
    return found.groups()  # type: ignore[return-value]


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
    form : also read every text, hold it against its canonical form, and its id against the ids of the book
    """

    def __init__(self, ask: driver.Ask, book: int, size: int, sizes: Iterable[int] = (), form: bool = True) -> None:
        self.ask, self.book, self.size, self.form = ask, book, size, form
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
        span = (self.book, first, first + width)
        texts, leaves = self.ask(_TEXTS, span), self.ask(_LEAVES, span)
        if not len(texts) == len(leaves) == width:
            for at in range(first, first + width, WIDTH):
                self._with_gaps(at, min(WIDTH, first + width - at), dict(texts), dict(leaves))
            return
        whole = [bytes(text) for _, text in texts]
        by_text = [sha256(b"\x00" + text).digest() for text in whole]
        by_leaf = [bytes(leaf) for _, leaf in leaves]
        for at in range(0, width, WIDTH):
            self._hashes(first + at, by_text[at : at + WIDTH], by_leaf[at : at + WIDTH])
        self._read(first, whole)

    def _with_gaps(self, first: int, width: int, texts: dict[int, bytes], leaves: dict[int, bytes]) -> None:
        hashes, kept = [], []
        for index in range(first, first + width):
            text, leaf = texts.get(index), leaves.get(index)
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
            hashes.append(leaf_hash(text) if text is not None else bytes(leaf or b""))
            kept.append(bytes(leaf) if leaf is not None else hashes[-1])
        if not self._blind:
            self._hashes(first, hashes, kept)

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
        seqs = self._seqs
        for index, text in enumerate(texts, first):
            try:
                place, at, number, subject = stated(text)
            except ValueError:
                self.wrongs.add("edited", index, "it is no entry")
                self._jumped = set()
                continue
            seq, wanted = int(number), seqs.get(subject, 0)
            seqs[subject] = seq + 1
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
