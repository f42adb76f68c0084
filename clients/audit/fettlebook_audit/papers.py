"""Papers in somebody's hand that remember a book: a certificate, or a checkpoint as text."""

import json
from base64 import b64decode
from collections.abc import Sequence
from dataclasses import dataclass, field
from hashlib import sha256
from pathlib import Path
from typing import Any

from fettlebook_audit.copies import read
from fettlebook_audit.faults import Fault
from fettlebook_audit.notes import Checkpoint, Key, NoteError, read_checkpoint

LONGEST = 5 * 1024 * 1024  # bytes of a paper
SQUARE = {"release", "origin", "book"}  # what the square of a printed certificate says
SIGNED = ("unit.released", "release.reissued")


class PaperError(ValueError):
    """It is no certificate and no checkpoint, and why."""


@dataclass(frozen=True)
class Paper:
    """What a paper remembers: so many entries had this root.

    index : of the entry that a certificate is; release : its number
    certificate : its members, None where the paper is the square of a printed one, which has number and book alone
    around : the members that the service answers beside it
    """

    name: str
    size: int
    root: bytes
    index: int | None = None
    release: str | None = None
    certificate: dict[str, Any] | None = None
    around: dict[str, Any] = field(default_factory=dict)

    @property
    def checkpoint(self) -> Checkpoint:
        return Checkpoint("", self.size, self.root, self.name)

    def beyond(self, size: int) -> Fault:
        words = f"{self.name} remembers {self.size} entries, and the longest checkpoint here has {size}"
        return Fault("rolled back", size, self.size - 1, words)

    def entry_fault(self, text: bytes) -> Fault | None:
        """What is wrong with the entry at the certificate's index; None when it is this certificate's."""
        at = self.index
        try:
            entry = json.loads(text)
            data = entry["data"] if entry["type"] in SIGNED else None
            number, kept = (None, None) if data is None else (data.get("release"), data.get("certificate"))
        except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
            data = None
        if data is None:
            return Fault("edited", at, at, f"{self.name} says that it is this entry, which is no release")
        if number != self.release:
            return Fault("edited", at, at, f"this entry is the release {number}, and not {self.name}")
        # One that was signed away from the book has no certificate in its entry: it is drawn from the entries before
        if self.certificate is not None and kept is not None:
            known = _without_nulls(self.certificate)
            if kept not in (known, _named(known)):
                return Fault("edited", at, at, f"the certificate in this entry is another than {self.name}")
        inner = (self.certificate or {}) | {"entry": entry.get("id"), "why": data.get("why")}
        for name, said in self.around.items():
            if name in inner and said != inner[name]:
                words = f"the answer around {self.name} has the {name} {said}, and here it is {inner[name]}"
                return Fault("edited", at, at, words)
        return None


def _without_nulls(value: Any) -> Any:
    """As an entry holds it: what is not known is left out, and answered as null."""
    if isinstance(value, dict):
        return {name: _without_nulls(inner) for name, inner in value.items() if inner is not None}
    return [_without_nulls(inner) for inner in value] if isinstance(value, list) else value


def _named(certificate: Any) -> dict[str, Any]:
    """How an over-long certificate stands in its entry: by the digest and length of its text."""
    text = json.dumps(certificate, sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode()
    return {"sha256": sha256(text).hexdigest(), "bytes": len(text)}


def read_paper(file: Path, keys: Sequence[Key]) -> Paper:
    """A certificate in JSON (alone, or as it is answered beside its release), or a checkpoint's note.

    Raises PaperError, NoteError for a note that none of the keys has signed, OSError.
    """
    try:
        content = read(file, LONGEST)
    except ValueError as error:
        raise PaperError(f"{file}: {error}") from None
    if content.lstrip()[:1] != b"{":
        return _of_note(file, content, keys)
    try:
        value = json.loads(content)
        certificate = value.get("certificate", value)
        book = certificate["book"]
        index, size, root = book["index"], book["size"], _root(book["root"])
        if type(index) is not int or type(size) is not int or not 0 <= size <= index < 2**53:
            raise ValueError(f"index {index} and size {size} do not go together")
    except KeyError as error:
        raise PaperError(f"{file}: a certificate has {error}") from None
    except (ValueError, TypeError, AttributeError, RecursionError) as error:
        raise PaperError(f"{file} is no certificate: {error}") from None
    whole = None if certificate.keys() <= SQUARE else certificate
    name = f"certificate {certificate.get('release', file.name)}"
    around = {} if certificate is value else {name: said for name, said in value.items() if name != "certificate"}
    return Paper(name, size, root, index, certificate.get("release"), whole, around)


def _of_note(file: Path, content: bytes, keys: Sequence[Key]) -> Paper:
    try:
        found = read_checkpoint(content, keys)
    except NoteError as error:
        if b"\n\n" not in content[:LONGEST] or b"\0" in content[:1000]:
            raise PaperError(f"{file} is no certificate and no checkpoint") from None
        raise NoteError(f"{file.name}: {error}") from None
    return Paper(f"checkpoint {file.name}", found.size, found.root)


def _root(text: str) -> bytes:
    found = bytes.fromhex(text) if len(text) == 64 else b64decode(text, validate=True)
    if len(found) != 32:
        raise ValueError("a root has 32 bytes")
    return found
