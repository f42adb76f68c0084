"""The check of a book as a state machine: texts and hashes go in tile by tile, faults come out. No I/O.

In this order, for every tile:
1. Each text hashes to what the tile beside it says.
2. At every checkpoint that was ever seen the root over these hashes, over the texts, or over some of each where they
   differ, is the signed one.
3. Each text is an entry, stands at its index, follows on its page by its running number, and was recorded no earlier
   than the one before.
"""

import json
from collections.abc import Container, Iterable, MutableMapping, Sequence
from dataclasses import dataclass
from itertools import zip_longest
from typing import Any

from fettlebook_audit.faults import MOST, Fault, How
from fettlebook_audit.mixtures import Mixture, Mixtures
from fettlebook_audit.notes import Checkpoint
from fettlebook_audit.tiles import WIDTH
from fettlebook_audit.tree import HEIGHT, Edge, leaf_hash, tile_root


@dataclass(frozen=True)
class Start:
    """Where a check goes on: after so many entries, a whole number of tiles, with the edge of the tree over them."""

    size: int = 0
    edge: tuple[bytes, ...] = ()
    recorded_at: str = ""


class Check:
    """Checks a book tile by tile against every checkpoint that was ever seen of it.

    Where a text is not what the tile beside it was hashed from, the entry is *edited* when the tile belongs to the
    signed root, and the tile *damaged* when the text does. When no choice gives a root, the book is *forked* between
    this checkpoint and the last one that holds; with one checkpoint alone its entries are *edited*.

    seqs : the next running number of each subject's page; kept by whoever goes on later
    """

    def __init__(
        self,
        checkpoints: Iterable[Checkpoint],
        seqs: MutableMapping[str, int] | None = None,
        start: Start | None = None,
    ) -> None:
        start = start or Start()
        self.faults: list[Fault] = []
        self.size = start.size
        self.recorded_at = start.recorded_at
        self.spans: list[bytes] = []  # over every full tile that has come, since `start`
        self._mixtures: Mixtures | None = None  # since text and tile differ first after the last good root
        self._waiting = sorted((c for c in set(checkpoints) if c.size >= start.size), key=lambda c: (c.size, c.root))
        self._alone = start.size == 0 and len({(c.size, c.root) for c in self._waiting}) == 1
        self._texts, self._tiles = Edge(start.size, start.edge), Edge(start.size, start.edge)
        self._differ: list[int] = []  # since the last good root: where text and tile differ
        self._good = start.size
        self._next = start.size
        self._missing: dict[int, Fault] = {}
        self._seqs: MutableMapping[str, int] = {} if seqs is None else seqs
        self._since_loss: set[str] | None = None  # pages seen since entries were lost, whose numbers may have jumped
        self._blind = False  # neither texts nor hashes of some entries: no root can be known after them
        self._roots([], [])

    @property
    def edge(self) -> tuple[bytes, ...]:
        return tuple(self._tiles.hashes)

    def tile(self, width: int, texts: Sequence[bytes] | None, hashes: Sequence[bytes] | None) -> None:
        """The next tile: its texts and the hashes beside them. What is None was lost, which `lost` has told."""
        first = self.size
        leaves = None if texts is None else [leaf_hash(text) for text in texts]
        if leaves is None and hashes is None:
            self._blind = True
        elif leaves is not None and hashes is not None and leaves != list(hashes):
            room = MOST - len(self._differ)
            pairs = enumerate(zip_longest(leaves, hashes))
            self._differ += [first + at for at, (leaf, said) in pairs if leaf != said][:room]
        for text in texts or ():
            self._read(text)
            self.size += 1
        if texts is None:
            self._lose(first, width)
        if not self._blind:
            by_text, by_tile = list(leaves or hashes or ()), list(hashes or leaves or ())
            self._roots(by_text, by_tile)
            if width == WIDTH:
                span = tile_root(by_tile)
                self.spans.append(span)
                if self._mixtures is None and by_text != by_tile:
                    self._mixtures = Mixtures(self._tiles)
                if self._mixtures is not None:
                    self._mixtures.push(by_text, by_tile)
                self._tiles.push(span, HEIGHT)
                self._texts.push(span if by_text == by_tile else tile_root(by_text), HEIGHT)

    def lost(self, how: How, first: int, width: int, says: str) -> None:
        """A file of the tile to come cannot be used."""
        self._fault(how, first, first + width - 1, says)

    def end(self) -> None:
        """The copy ends here: checkpoints that go further have lost their entries."""
        for checkpoint in self._waiting[-1:]:
            if checkpoint.size > self.size:
                words = "a checkpoint has them, and this copy has not"
                self._fault("missing", self.size, checkpoint.size - 1, words)
        for at in self._differ:
            self._fault("edited", at, at, "its text is not what its tile was hashed from")

    def _lose(self, first: int, width: int) -> None:
        self.size = first + width
        self._next = max(self._next, self.size)
        self._since_loss = set()

    def _roots(self, by_text: list[bytes], by_tile: list[bytes]) -> None:
        """Hold what has come against the checkpoints that end within this tile."""
        while self._waiting and self._waiting[0].size <= self.size:
            checkpoint = self._waiting.pop(0)
            inside = checkpoint.size - self._tiles.size
            found = self._signed(checkpoint.root, by_text[:inside], by_tile[:inside])
            if found is not None:
                self._settle(checkpoint.size, found.texts)
                self._texts, self._tiles = (Edge(found.edge.size, found.edge.hashes) for _ in range(2))
                by_text[:inside], by_tile[:inside] = found.leaves, found.leaves
                self._mixtures = None
            else:
                words = f"these entries are not what the root of {checkpoint.said_by} was made from"
                how: How = "edited" if self._alone else "forked"
                self._fault(how, self._good, max(checkpoint.size - 1, self._good), words)
            self._good = checkpoint.size

    def _signed(self, root: bytes, by_text: list[bytes], by_tile: list[bytes]) -> Mixture | None:
        """What has come so far, as this root was made from it."""
        if root == self._tiles.root(by_tile):
            return Mixture(self._tiles, by_tile, frozenset())
        if root == self._texts.root(by_text):
            return Mixture(self._texts, by_text, frozenset(self._differ))
        mixtures = self._mixtures or Mixtures(self._tiles)
        return mixtures.with_root(root, by_text, by_tile)

    def _settle(self, size: int, texts: Container[int]) -> None:
        """At a good root, which has these texts: whatever differed before it was wrong on the other side."""
        for at in (at for at in self._differ if at < size):
            if at in texts:
                self._fault("damaged", at, at, "its hash tile is wrong; its text is what the signed root is made from")
            else:
                self._fault("edited", at, at, "its text is not what the signed root was made from")
        self._differ = [at for at in self._differ if at >= size]

    def _read(self, text: bytes) -> None:
        try:
            entry: dict[str, Any] = json.loads(text)
            index, subject, seq, at = entry["index"], entry["subject"], entry["seq"], entry["recorded_at"]
            if not (type(index) is int and type(seq) is int and type(subject) is str and type(at) is str):
                raise TypeError
        except (ValueError, KeyError, TypeError, RecursionError):
            self._fault("edited", self.size, self.size, "it is no entry of a book")
            self._next = self.size + 1
            self._since_loss = set()
            return
        if index == self._next:
            self._next += 1
        else:
            self._out_of_place(index)
        wanted = self._seqs.get(subject, 0)
        if seq != wanted:
            self._off_its_page(subject, seq, wanted)
        self._seqs[subject] = seq + 1
        if self._since_loss is not None:
            self._since_loss.add(subject)
        if at < self.recorded_at:
            self._fault("reordered", self.size, self.size, "it was recorded before the entry before it")
        else:
            self.recorded_at = at

    def _out_of_place(self, index: int) -> None:
        if index > self._next:
            fault = self._fault("missing", self._next, index - 1, f"entry {index} stands where they belong")
            self._missing |= dict.fromkeys(range(self._next, min(index, self._next + MOST)), fault)
            self._next = index + 1
        elif index in self._missing:
            fault = self._missing.pop(index)
            fault.how, fault.says = "reordered", f"entry {index} stands at {self.size}"
        else:
            self._fault("inserted", self.size, self.size, f"it calls itself entry {index}, which was there already")

    def _off_its_page(self, subject: str, seq: int, wanted: int) -> None:
        if self._since_loss is not None and subject not in self._since_loss and seq > wanted:
            return  # what lies between was lost with a tile
        how: How = "missing" if seq > wanted else "inserted"
        words = f"it is number {seq} on the page of {subject}, where {wanted} belongs"
        self._fault(how, self.size, self.size, words)

    def _fault(self, how: How, first: int | None, last: int | None, says: str) -> Fault:
        fault = Fault(how, first, last, says)
        if len(self.faults) < MOST:
            self.faults.append(fault)
        return fault
