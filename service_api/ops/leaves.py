"""The log of a book looked through from the inside: every text against its leaf, index, page and form; every root.

What is altered so that texts, leaves and head agree again leaves no trace here: it takes somebody who remembers a
root. `roots` are those at the sizes that somebody does.
"""

import re
from collections.abc import Callable, Iterable, Sequence
from hashlib import sha256
from typing import Any, NamedTuple
from uuid import UUID

import orjson

from service_api.log import driver
from service_api.log.merkle import Frontier, leaf_hash, tile_root
from service_api.log.tiles import HEIGHT, WIDTH
from service_api.ops.wrongs import MOST, Wrongs
from service_api.wire.canonical import entry_text

Progress = Callable[[int], None]
ADDED = ("index", "seq", "recorded_at", "recorded_by", "signed")
COMPLETED = ("unit.released", "release.reissued")  # the service puts a certificate into what the client sent
_RUN = "SELECT log_index, {} FROM {} WHERE book = ? AND log_index >= ? AND log_index < ? ORDER BY log_index"
_TEXTS, _LEAVES = _RUN.format("hashed", "entry"), _RUN.format("leaf", "receipt")
_IDS = "SELECT id, digest, log_index FROM entry_id WHERE book = ? AND id IN ({})"
_FRACTION = re.compile(rb"[:,\[]-?\d+[.eE]")


class Stated(NamedTuple):
    """What an entry says of its own place."""

    place: int
    subject: bytes
    seq: int
    recorded_at: bytes


def stated(text: bytes) -> Stated:
    """What a canonical text says of its place. Raises ValueError.

    Looked for from its end: behind `data` stands nothing that could be taken for one of these members.
    """
    at = text.rindex(b',"subject":"')
    subject = text[at + 12 : text.index(b'"', at + 12)]
    at = text.rindex(b',"seq":', 0, at)
    seq = int(text[at + 7 : text.index(b",", at + 7)])
    at = text.rindex(b',"recorded_at":"', 0, at)
    recorded_at = text[at + 16 : text.index(b'"', at + 16)]
    at = text.rindex(b',"index":', 0, at)
    return Stated(int(text[at + 9 : text.index(b",", at + 9)]), subject, seq, recorded_at)


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
        for first in range(0, self.size, WIDTH):
            width = min(WIDTH, self.size - first)
            self._tile(first, width)
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

    def _tile(self, first: int, width: int) -> None:
        span = (self.book, first, first + width)
        texts, leaves = self.ask(_TEXTS, span), self.ask(_LEAVES, span)
        if len(texts) == len(leaves) == width:
            whole = [text for _, text in texts]
            hashes = [sha256(b"\x00" + text).digest() for text in whole]
            self._hashes(first, hashes, [bytes(leaf) for _, leaf in leaves])
            self._read(first, whole)
        else:
            self._with_gaps(first, width, dict(texts), dict(leaves))

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
        for frontier, hashes in ((self._by_text, by_text), (self._by_leaf, by_leaf)):
            if len(hashes) == WIDTH:
                frontier.push(tile_root(hashes), HEIGHT)
            else:
                for leaf in hashes:
                    frontier.push(leaf)

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
        for index, text in enumerate(texts, first):
            try:
                found = stated(text)
            except ValueError:
                self.wrongs.add("edited", index, "it is no entry")
                self._jumped = set()
                continue
            self._place(index, found)

    def _place(self, index: int, found: Stated) -> None:
        if found.place != index:
            self.wrongs.add("reordered", index, f"its text says that it is entry {found.place}")
        wanted = self._seqs.get(found.subject, 0)
        if found.seq != wanted:
            self._off_its_page(index, found, wanted)
        self._seqs[found.subject] = found.seq + 1
        if self._jumped is not None:
            self._jumped.add(found.subject)
        if found.recorded_at < self.recorded_at:
            self.wrongs.add("reordered", index, "it was recorded before the entry before it")
        else:
            self.recorded_at = found.recorded_at

    def _off_its_page(self, index: int, found: Stated, wanted: int) -> None:
        if self._jumped is not None and found.subject not in self._jumped and found.seq > wanted:
            return  # what lies between is missing, which has been said
        words = f"it is number {found.seq} on the page of {found.subject.decode()}, where {wanted} belongs"
        self.wrongs.add("missing" if found.seq > wanted else "inserted", index, words)

    def _forms(self, first: int, texts: Sequence[bytes]) -> None:
        read: dict[int, dict[str, Any]] = {}
        for index, text in enumerate(texts, first):
            try:
                entry = orjson.loads(text)
                if entry_text(entry) != text or (_FRACTION.search(text) and _has_fraction(entry)):
                    self.wrongs.add("edited", index, "its text is not in canonical form")
                UUID(entry["id"])
                read[index] = entry
            except (ValueError, KeyError, TypeError):
                self.wrongs.add("edited", index, "it is no entry")
        self._ids(read)

    def _ids(self, read: dict[int, dict[str, Any]]) -> None:
        wanted = {UUID(entry["id"]).bytes: index for index, entry in read.items()}
        rows = self.ask(_IDS.format(", ".join("?" * len(wanted))), (self.book, *wanted)) if wanted else []
        kept = {bytes(ident): (bytes(digest), index) for ident, digest, index in rows}
        for index, entry in read.items():
            found = kept.get(UUID(entry["id"]).bytes)
            if found is None:
                self.wrongs.add("missing", index, "the store does not know its id: it could be recorded twice")
            elif found[1] != index:
                self.wrongs.add("reordered", index, f"its id stands for entry {found[1]}")
            elif entry.get("type") not in COMPLETED and found[0] != _sent(entry):
                self.wrongs.add("edited", index, "what was sent under its id is another than its text")


def _sent(entry: dict[str, Any]) -> bytes:
    """The digest of what the client sent (DESIGN 4: the book's own members are added to it)."""
    return sha256(entry_text({name: value for name, value in entry.items() if name not in ADDED})).digest()


def _has_fraction(value: Any) -> bool:
    if isinstance(value, dict):
        return any(map(_has_fraction, value.values()))
    return any(map(_has_fraction, value)) if isinstance(value, list) else isinstance(value, float)
