"""The check of a book as a state machine: texts and hashes go in one after the other, faults come out. No I/O."""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from fettlebook_audit.notes import Checkpoint
from fettlebook_audit.tree import Edge, leaf_hash

MOST_FAULTS = 100


@dataclass
class Fault:
    """What is wrong: how, from which entry to which (both inclusive; none for a checkpoint), in words."""

    how: str
    first: int | None
    last: int | None
    says: str


class Check:
    """Checks a book entry by entry against every checkpoint that was ever seen of it.

    An entry is *edited* when its text is not what the tile beside it was hashed from, and the tile belongs to the
    signed root; when neither belongs to a root, what is wrong lies between two checkpoints, and the book is *forked*
    there.
    """

    def __init__(self, checkpoints: Sequence[Checkpoint]) -> None:
        self.faults: list[Fault] = []
        self.size = 0
        self._waiting = sorted(set(checkpoints), key=lambda c: (c.size, c.root))
        self._texts, self._tiles = Edge(), Edge()
        self._differ: list[int] = []  # since the last good root: where text and tile differ
        self._good = 0
        self._next = 0
        self._missing: dict[int, Fault] = {}
        self._seqs: dict[str, int] = {}
        self._recorded_at = ""
        self._roots()

    @property
    def is_full(self) -> bool:
        """There are so many faults that more would not help."""
        return len(self.faults) >= MOST_FAULTS

    def entry(self, text: bytes, said: bytes) -> None:
        """The next entry in the order of the book, and the hash that its tile has."""
        leaf = leaf_hash(text)
        if leaf != said:
            self._differ.append(self.size)
        self._texts.push(leaf)
        self._tiles.push(said)
        self._read(text)
        self.size += 1
        self._roots()

    def end(self) -> None:
        """The copy ends here: checkpoints that go further have lost their entries."""
        for checkpoint in self._waiting[:1]:
            self._fault("missing", self.size, checkpoint.size - 1, "a checkpoint has them, and this copy has not")
        for at in self._differ:
            self._fault("edited", at, at, "its text is not what its tile was hashed from")

    def _roots(self) -> None:
        while self._waiting and self._waiting[0].size == self.size:
            root = self._waiting.pop(0).root
            if root == self._tiles.root():
                for at in self._differ:
                    self._fault("edited", at, at, "its text is not what the signed root was made from")
            elif root == self._texts.root():
                for at in self._differ:
                    self._fault(
                        "damaged", at, at, "its hash tile is wrong; its text is what the signed root is made from"
                    )
            else:
                words = "these entries are not what the signed root was made from"
                self._fault("forked", self._good, max(self.size - 1, self._good), words)
            self._differ, self._good = [], self.size

    def _read(self, text: bytes) -> None:
        try:
            entry: dict[str, Any] = json.loads(text)
            index, subject, seq, at = (entry[name] for name in ("index", "subject", "seq", "recorded_at"))
            if not (type(index) is int and type(seq) is int and type(subject) is str and type(at) is str):
                raise TypeError
        except (ValueError, KeyError, TypeError, RecursionError):
            self._fault("edited", self.size, self.size, "it is no entry of a book")
            self._next = self.size + 1
            return
        if index == self._next:
            self._next += 1
        elif index > self._next:
            fault = self._fault("missing", self._next, index - 1, f"entry {index} stands where they belong")
            self._missing |= dict.fromkeys(range(self._next, min(index, self._next + MOST_FAULTS)), fault)
            self._next = index + 1
        elif index in self._missing:
            fault = self._missing.pop(index)
            fault.how, fault.says = "reordered", f"entry {index} stands at {self.size}"
        else:
            self._fault("inserted", self.size, self.size, f"it calls itself entry {index}, which was there already")
        wanted = self._seqs.get(subject, 0)
        if seq != wanted:
            how = "missing" if seq > wanted else "inserted"
            self._fault(
                how, self.size, self.size, f"it is number {seq} on the page of {subject}, where {wanted} belongs"
            )
        self._seqs[subject] = seq + 1
        if at < self._recorded_at:
            self._fault("reordered", self.size, self.size, "it was recorded before the entry before it")
        self._recorded_at = max(at, self._recorded_at)

    def _fault(self, how: str, first: int | None, last: int | None, says: str) -> Fault:
        fault = Fault(how, first, last, says)
        if not self.is_full:
            self.faults.append(fault)
        return fault
