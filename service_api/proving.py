"""What a book proves of itself: checkpoints, tiles, entry bundles, proofs (DESIGN section 9), from what is stored."""

import json
import logging
from collections.abc import Callable, Iterator
from datetime import datetime
from threading import Lock
from typing import Any, NamedTuple

from sqlalchemy import Connection

from service_api.domain.moments import in_utc
from service_api.domain.records import record
from service_api.domain.refusals import Malformed, NotFound
from service_api.log import driver, proofs, store, tiles
from service_api.log.keys import Keys, KeyTrouble
from service_api.log.merkle import leaf_hash
from service_api.log.notes import Checkpoint, NoteError, Signer, read_checkpoint, sign, signatures
from service_api.log.store import Book
from service_api.log.tree import StoredTree
from service_api.log.witnesses import Cosigned, cosignatures, keep

log = logging.getLogger("fettlebook")

UNIT_HEAD = "fettlebook.unit-head/v1"  # no origin: what is signed for a unit is never taken for a checkpoint
STEP = 256  # entries of a bundle read at a time


class Signed(NamedTuple):
    """A checkpoint, its note, and who signed it."""

    checkpoint: Checkpoint
    note: str
    signer: Signer


@record
class Contents:
    """Which entries a unit's bundle has, of the first `size` of the book.

    seq : of the last entry on the unit's own page
    indexes : all of them; others : those of them on other pages
    sealed : those whose text does not travel
    """

    unit: str
    size: int
    seq: int
    indexes: tuple[int, ...]
    others: tuple[int, ...]
    sealed: frozenset[int]

    def head(self, origin: str) -> str:
        """What the book states of the unit, line by line: kind, origin, unit, size, last seq, indexes of the others."""
        others = " ".join(map(str, self.others)) or "-"
        return f"{UNIT_HEAD}\n{origin}\n{self.unit}\n{self.size}\n{self.seq}\n{others}\n"


class Proofs:
    """The proofs of one book. Many threads may ask.

    makes_key : the first checkpoint makes the book's key when it never had one; where several processes with folders of
        their own serve a store, each would make another
    """

    def __init__(self, ask: driver.Ask, book: Book, keys: Keys, clock: Callable[[], datetime], makes_key: bool) -> None:
        self.ask, self.book, self.keys, self.clock, self.makes_key = ask, book, keys, clock, makes_key
        self.tree = StoredTree(ask, book.number)
        self._making = Lock()
        self._signed: Signed | None = None

    def checkpoint(self) -> str:
        """Origin, size and root of everything that is acknowledged, as a signed note. Raises NotFound without a key."""
        signed = self.signed()
        return signed.note + self._cosignatures(signed.checkpoint)

    def witnessed(self) -> str:
        """The longest checkpoint that a witness has signed, by the key in force, with their lines. Raises NotFound."""
        rows = self.ask(_WITNESSED, (self.book.number,))
        if not rows:
            raise NotFound("no witness has signed a checkpoint of this book yet")
        checkpoint = Checkpoint(self.book.origin, rows[0][0], bytes(rows[0][1]))
        return sign(str(checkpoint), self._signer()) + self._cosignatures(checkpoint)

    def _cosignatures(self, checkpoint: Checkpoint) -> str:
        rows = self.ask(_COSIGNATURES, (self.book.number, checkpoint.size, checkpoint.root))
        return "".join(f"{line}\n" for (line,) in rows)

    def cosign(self, connection: Connection, note: str) -> tuple[int, list[str]]:
        """Keep what the book's witnesses have signed on one of its checkpoints: its size, and who.

        Raises Malformed for any other note.
        """
        try:
            lines = cosignatures(note, self.keys.witnesses())
            checkpoint = read_checkpoint(signatures(note)[0])
        except NoteError as error:
            raise Malformed.at("", "wrong-form", str(error)) from None
        if checkpoint.origin != self.book.origin:
            raise Malformed.at("", "wrong-form", f"it is of {checkpoint.origin}, and this book is {self.book.origin}")
        size = store.size(self.ask, self.book.number)
        if checkpoint.size > size or proofs.root(self.tree.node, checkpoint.size) != checkpoint.root:
            raise Malformed.at("", "wrong-form", "it is no checkpoint that this book has given")
        if not lines:
            raise Malformed.at(
                "", "wrong-form", "no witness of this book has signed it; `fettlebook key witness` adds one"
            )
        for name, line in lines.items():
            keep(connection, self.book.number, Cosigned(name, checkpoint.size, checkpoint.root, line))
        return checkpoint.size, sorted(lines)

    def signed(self) -> Signed:
        """The checkpoint of now with what it states. Raises NotFound without a key."""
        size, root = store.head_of(self.ask, self.book.number)
        checkpoint, signer = Checkpoint(self.book.origin, size, root), self._signer()
        kept = self._signed
        if kept is not None and kept.signer == signer:
            signer = kept.signer  # which has made its key already
        if kept is None or (kept.checkpoint, kept.signer) != (checkpoint, signer):
            kept = self._signed = Signed(checkpoint, sign(str(checkpoint), signer), signer)
        return kept

    def bundle(self, signed: Signed, what: Contents) -> Iterator[bytes]:
        """The JSON of a unit's bundle (CONTRACT C), piece by piece: each entry as hashed, with its inclusion proof."""
        begin = {
            "origin": self.book.origin,
            "unit": what.unit,
            "checkpoint": signed.note,
            "key": str(signed.signer.verifier),
            "head": sign(what.head(self.book.origin), signed.signer),
        }
        yield _json(begin)[:-1] + b',"entries":['
        for at in range(0, len(what.indexes), STEP):
            lines = self._bundled(what, what.indexes[at : at + STEP])
            yield b",\n"[: 2 * bool(at)] + b",\n".join(lines)
        yield b"]}\n"

    def _bundled(self, what: Contents, indexes: tuple[int, ...]) -> Iterator[bytes]:
        texts = store.texts_of(self.ask, self.book.number, indexes)
        for index, text in zip(indexes, texts, strict=True):
            hashes = proofs.inclusion(self.tree.node, index, what.size)
            sealed = index in what.sealed
            said = {"leaf": leaf_hash(text).hex()} if sealed else {"hashed": text.decode()}
            yield _json({"index": index, **said, "proof": [each.hex() for each in hashes]})

    def checkpoint_of(self, size: int) -> tuple[str, bool]:
        """The checkpoint of the first `size` entries, and whether it is signed: without a key it stands bare."""
        text = str(Checkpoint(self.book.origin, size, proofs.root(self.tree.node, size)))
        try:
            return sign(text, self._signer()), True
        except NotFound:
            return text, False

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


_COSIGNATURES = "SELECT line FROM cosignature WHERE book = ? AND size = ? AND root = ? ORDER BY witness"
_WITNESSED = "SELECT size, root FROM cosignature WHERE book = ? ORDER BY size DESC LIMIT 1"


def _json(value: dict[str, Any]) -> bytes:
    return json.dumps(value, separators=(",", ":"), ensure_ascii=False).encode()
