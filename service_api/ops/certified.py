"""The words of a certificate in somebody's hand, held against those that the book has for that release."""

import json
from collections.abc import Iterator
from hashlib import sha256
from typing import Any

from sqlalchemy import Connection
from sqlalchemy.exc import SQLAlchemyError

from service_api.app import Store
from service_api.certificates import Certificates
from service_api.domain.refusals import NotFound, Refusal
from service_api.log.store import Book
from service_api.ops.remembered import Paper
from service_api.ops.wrongs import Wrongs

SQUARE = {"release", "origin", "book"}  # what the square of a printed certificate says
SIGNED = ("unit.released", "release.reissued")
_TEXT = "SELECT hashed FROM entry WHERE book = ? AND log_index = ?"


def hold(store: Store, book: Book, entries: int, paper: Paper, wrongs: Wrongs) -> None:
    """Say what the certificate says otherwise than the book; nothing of a checkpoint.

    What its entry froze is asked of the entry; one that was signed away from the book is drawn from what was known
    then. Where the log itself cannot be read, which is told elsewhere, nothing is said.
    """
    said = paper.certificate
    if said is None:
        return
    index, number = said["book"]["index"], said.get("release")
    if index >= entries:
        wrongs.add("missing", index, f"{paper.name} says that it is this entry, and the book has {entries}")
        return
    try:
        with store.reading.begin() as connection:
            kept = _InBook(store, book, connection).certificate(number, index)
    except NotFound:
        wrongs.add("forked", index, f"{paper.name} is of release {number}, which the book does not have")
        return
    except (Refusal, SQLAlchemyError, LookupError, ValueError, TypeError, AttributeError, OSError):
        return
    known = kept | {"origin": book.origin}
    names = said.keys() if said.keys() <= SQUARE else said.keys() | kept.keys()
    one, other = ({name: each.get(name) for name in names} for each in (said, known))
    members = sorted(differing(_without_nulls(one), _without_nulls(other)))
    if members:
        words = f"{paper.name} says otherwise than the book's release {number}: {', '.join(members)}"
        wrongs.add("forked", kept["book"]["index"], words)


class _InBook:
    """The certificates of a book as they were issued."""

    def __init__(self, store: Store, book: Book, connection: Connection) -> None:
        self.store, self.book = store, book
        self.folder = store.attachments / str(book.number)
        self.certificates = Certificates(store.answers(book.number), connection)

    def certificate(self, number: Any, index: int) -> dict[str, Any]:
        """Of the release with this number that is the entry at this index, else of the one that the number stands for.

        Raises NotFound, and whatever a book that was altered brings about.
        """
        if type(number) is not str:
            raise NotFound("a release has a number in words")
        data = self._signed(index)
        here = data.get("release") == number
        frozen = data.get("certificate") if here else None
        if frozen is not None:
            return self._whole(frozen)
        found = self.certificates.find(number, index + 1 if here else None)
        return self.certificates.certificate(found)

    def _signed(self, index: int) -> dict[str, Any]:
        ((text,),) = self.store.quickly(_TEXT, (self.book.number, index))
        entry = json.loads(text)
        return dict(entry["data"]) if entry["type"] in SIGNED else {}

    def _whole(self, frozen: dict[str, Any]) -> dict[str, Any]:
        """Itself, or the bytes that its digest names. Raises ValueError when they are others, which is told."""
        if "unit" in frozen:
            return frozen
        text = (self.folder / frozen["sha256"]).read_bytes()
        if sha256(text).hexdigest() != frozen["sha256"]:
            raise ValueError("these bytes are not the certificate's")
        return dict(json.loads(text))


def differing(one: Any, other: Any, at: str = "") -> Iterator[str]:
    """Where two values differ: the names on the way, with strokes between."""
    pairs: list[tuple[Any, Any, Any]] = []
    if isinstance(one, dict) and isinstance(other, dict):
        pairs = [(name, one.get(name), other.get(name)) for name in one.keys() | other.keys()]
    elif isinstance(one, list) and isinstance(other, list) and len(one) == len(other):
        pairs = [(place, *pair) for place, pair in enumerate(zip(one, other, strict=True))]
    elif type(one) is not type(other) or one != other:
        yield at
    for name, left, right in pairs:
        yield from differing(left, right, f"{at}/{name}" if at else str(name))


def _without_nulls(value: Any) -> Any:
    """As an entry holds it: what is not known is left out."""
    if isinstance(value, dict):
        return {name: _without_nulls(inner) for name, inner in value.items() if inner is not None}
    return [_without_nulls(inner) for inner in value] if isinstance(value, list) else value
