"""What somebody outside remembers of a book: a certificate, or a checkpoint as text."""

import json
from base64 import b64decode
from collections.abc import Iterable
from typing import Any, NamedTuple

from service_api.log.notes import NoteError, Verifier, open_note, read_checkpoint

LONGEST = 5 * 1024 * 1024  # characters of a paper


class Paper(NamedTuple):
    """So many entries had this root.

    certificate : its members, the root in hex; None for a checkpoint
    """

    name: str
    size: int
    root: bytes
    certificate: dict[str, Any] | None = None


class NoPaper(ValueError):
    """It is no certificate and no checkpoint, and why."""


def read_paper(name: str, text: str, origin: str, keys: Iterable[Verifier]) -> Paper:
    """A certificate's JSON (alone or beside its release), or a checkpoint's note.

    Raises NoPaper; NoteError for a note that none of the keys has signed, or of another book.
    """
    if len(text) > LONGEST:
        raise NoPaper(f"{name} is longer than any certificate or checkpoint")
    if text.lstrip()[:1] == "{":
        return _certificate(name, text)
    try:
        found = read_checkpoint(open_note(text, keys).text)
    except NoteError as error:
        if "\n\n" not in text:
            raise NoPaper(f"{name} is no certificate and no checkpoint") from None
        raise NoteError(f"{name}: {error}") from None
    if found.origin != origin:
        raise NoteError(f"{name} is of {found.origin}")
    return Paper(name, found.size, found.root)


def _certificate(name: str, text: str) -> Paper:
    try:
        value = json.loads(text)
        certificate = value.get("certificate", value)
        book = certificate["book"]
        size, root = book["size"], book["root"]
        found = bytes.fromhex(root) if len(root) == 64 else b64decode(root, validate=True)
        if type(size) is not int or not 0 <= size < 2**53 or len(found) != 32:
            raise ValueError("its book has no size and root")
        index = book["index"]
        if type(index) is not int or not size <= index < 2**53:
            raise ValueError(f"index {index} and size {size} do not go together")
        for member in ("release", "unit"):
            if value.get(member, certificate.get(member)) != certificate.get(member):
                raise ValueError(f"the {member} beside it is another than its own")
    except KeyError as error:
        raise NoPaper(f"{name}: a certificate has {error}") from None
    except (ValueError, TypeError, AttributeError, RecursionError) as error:
        raise NoPaper(f"{name} is no certificate: {error}") from None
    return Paper(name, size, found, certificate | {"book": book | {"root": found.hex()}})
