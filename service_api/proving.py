"""What a book proves of itself: checkpoints, tiles, entry bundles, proofs (DESIGN section 9), from what is stored."""

import logging
from collections.abc import Callable
from datetime import datetime
from threading import Lock

from service_api.domain.moments import in_utc
from service_api.domain.refusals import Malformed, NotFound
from service_api.log import driver, proofs, store, tiles
from service_api.log.keys import Keys, KeyTrouble
from service_api.log.notes import Checkpoint, Signer, sign
from service_api.log.store import Book
from service_api.log.tree import StoredTree

log = logging.getLogger("fettlebook")


class Proofs:
    """The proofs of one book. Many threads may ask.

    makes_key : the first checkpoint makes the book's key when it never had one; where several processes with folders of
        their own serve a store, each would make another
    """

    def __init__(self, ask: driver.Ask, book: Book, keys: Keys, clock: Callable[[], datetime], makes_key: bool) -> None:
        self.ask, self.book, self.keys, self.clock, self.makes_key = ask, book, keys, clock, makes_key
        self.tree = StoredTree(ask, book.number)
        self._making = Lock()
        self._signed: tuple[Checkpoint, Signer] | None = None
        self._note = ""

    def checkpoint(self) -> str:
        """Origin, size and root of everything that is acknowledged, as a signed note. Raises NotFound without a key."""
        size, root = store.head_of(self.ask, self.book.number)
        said = Checkpoint(self.book.origin, size, root), self._signer()
        if said != self._signed:
            note = sign(str(said[0]), said[1])
            with self._making:
                self._signed, self._note = said, note
            return note
        return self._note

    def _signer(self) -> Signer:
        try:
            with self._making:
                if self.makes_key and self.keys.signer() is None:
                    self.keys.make(in_utc(self.clock()))
            found = self.keys.signer()
        except KeyTrouble as trouble:
            log.error("%s", trouble)
            raise NotFound("the book's signing key cannot be used; `fettlebook key list` says why") from None
        if found is None:
            raise NotFound("the book has no signing key yet; `fettlebook key new` makes it")
        return found

    def tile(self, path: str) -> bytes:
        """The tile or bundle that the path after `tile/` names. Raises NotFound while the book is too short for it."""
        try:
            name = tiles.read_path(path)
        except ValueError as error:
            raise NotFound(str(error)) from None
        size = store.size(self.ask, self.book.number)
        there = tiles.width(size, name.level, name.number)
        if there < name.width:
            raise NotFound(f"the book has {size} entries, and {there} of {name.width} in this tile")
        if name.level != "entries":
            return tiles.hash_tile(self.tree.node, name)
        first = name.number * tiles.WIDTH
        return tiles.bundle(store.hashed_of(self.ask, self.book.number, first, first + name.width))

    def inclusion(self, index: int, size: int | None) -> tuple[list[bytes], int]:
        """The proof that the entry at `index` is in the book of `size` entries (left out: now), and that size.

        Raises Malformed.
        """
        size = self._within("?size", size)
        if index >= size:
            raise Malformed.at("?index", "bad-query", f"a book of {size} entries has none at {index}")
        return proofs.inclusion(self.tree.node, index, size), size

    def consistency(self, old: int, new: int | None) -> tuple[list[bytes], int]:
        """The proof that the book of `new` entries (left out: now) begins with that of `old`, and the new size.

        Raises Malformed.
        """
        new = self._within("?to", new)
        if not 0 < old <= new:
            raise Malformed.at("?from", "bad-query", f"a size from 1 to {new}")
        return proofs.consistency(self.tree.node, old, new), new

    def _within(self, pointer: str, size: int | None) -> int:
        there = store.size(self.ask, self.book.number)
        if size is None:
            return there
        if size > there:
            raise Malformed.at(pointer, "bad-query", f"the book has {there} entries")
        return size
