"""Signed notes and checkpoints: https://c2sp.org/signed-note and https://c2sp.org/tlog-checkpoint, with Ed25519.

The library that signs is imported with the first signature, so that nothing else waits for it.
"""

import re
from base64 import b64decode, b64encode
from binascii import Error as NotBase64
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from hashlib import sha256
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

ED25519, COSIGNATURE = 1, 4  # what a key signs: the text, or the text behind the time of a witness
LONGEST = 1_000_000  # bytes of a note: as in golang.org/x/mod/sumdb/note
MOST_SIGNATURES = 100
_SECRET = "PRIVATE+KEY+"
_SIZE = re.compile(r"0|[1-9]\d*", re.A)


class NoteError(ValueError):
    """A note, a key or a checkpoint that is not what it should be, and why."""


def public_of(seed: bytes) -> bytes:
    """The 32-byte public key of a 32-byte seed (RFC 8032, 5.1.5)."""
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    return Ed25519PrivateKey.from_private_bytes(seed).public_key().public_bytes_raw()


def signature_of(seed: bytes, message: bytes) -> bytes:
    """The 64-byte signature (RFC 8032, 5.1.6)."""
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    return Ed25519PrivateKey.from_private_bytes(seed).sign(message)


def is_signed(public: bytes, message: bytes, signature: bytes) -> bool:
    """True when the signature is that of the public key's holder (RFC 8032, 5.1.7)."""
    from cryptography.exceptions import InvalidSignature
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

    try:
        Ed25519PublicKey.from_public_bytes(public).verify(signature, message)
    except (InvalidSignature, ValueError):
        return False
    return True


@dataclass(frozen=True)
class Verifier:
    """A name and its public key. kind : ED25519 of a book, COSIGNATURE of a witness"""

    name: str
    public: bytes
    kind: int = ED25519

    def __post_init__(self) -> None:
        if not _is_name(self.name):
            raise NoteError("a key's name is one word without spaces and plus signs")
        if len(self.public) != 32:
            raise NoteError("an Ed25519 key has 32 bytes")

    @property
    def key_id(self) -> bytes:
        """Four bytes by which a signature line names its key."""
        return sha256(self.name.encode() + b"\n" + bytes([self.kind]) + self.public).digest()[:4]

    def __str__(self) -> str:
        """As it is handed on: name, id and key, joined by plus signs."""
        return f"{self.name}+{self.key_id.hex()}+{b64encode(bytes([self.kind]) + self.public).decode()}"


@dataclass(frozen=True, repr=False)
class Signer:
    """A name and its secret key, of which nothing is printed by accident."""

    name: str
    seed: bytes

    @cached_property
    def verifier(self) -> Verifier:
        return Verifier(self.name, public_of(self.seed))

    @cached_property
    def _mark(self) -> bytes:
        """What stands before each of its signatures."""
        return self.verifier.key_id

    @cached_property
    def _key(self) -> "Ed25519PrivateKey":
        from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

        return Ed25519PrivateKey.from_private_bytes(self.seed)

    def signature(self, message: bytes) -> bytes:
        """As its line has it: the key's id and the signature. The key is made once."""
        return self._mark + self._key.sign(message)

    def written(self) -> str:
        """As its file holds it: the form of golang.org/x/mod/sumdb/note."""
        key = b64encode(bytes([ED25519]) + self.seed).decode()
        return f"{_SECRET}{self.name}+{self.verifier.key_id.hex()}+{key}"


def read_verifier(text: str, kind: int = ED25519) -> Verifier:
    """The key that is written so. Raises NoteError when it is none of this kind, or its id is not its own."""
    name, key_id, key = _parts(text, kind)
    found = Verifier(name, key, kind)
    if found.key_id.hex() != key_id:
        raise NoteError(f"the id {key_id} is not that of the key of {name}")
    return found


def read_signer(text: str) -> Signer:
    """The secret key that is written so. Raises NoteError, which does not repeat it."""
    if not text.startswith(_SECRET):
        raise NoteError(f"a secret key begins with {_SECRET}")
    name, key_id, seed = _parts(text.removeprefix(_SECRET))
    if len(seed) != 32:
        raise NoteError("an Ed25519 key has 32 bytes")
    found = Signer(name, seed)
    if found.verifier.key_id.hex() != key_id:
        raise NoteError(f"the id {key_id} is not that of the secret key of {name}")
    return found


def _parts(text: str, kind: int = ED25519) -> tuple[str, str, bytes]:
    parts = text.split("+", 2)
    if len(parts) != 3:
        raise NoteError("a key is its name, its id and its bytes, joined by plus signs")
    key = _bytes_of(parts[2])
    if key[:1] != bytes([kind]):
        raise NoteError("not an Ed25519 key" if kind == ED25519 else "not the Ed25519 key of a witness")
    return parts[0], parts[1], key[1:]


def sign(text: str, signer: Signer) -> str:
    """The note: the text, an empty line, and the signature's line. Raises NoteError for a text that cannot be one."""
    _check_text(text)
    return f"{text}\n— {signer.name} {b64encode(signer.signature(text.encode())).decode()}\n"


class Opened(NamedTuple):
    """The text of a note, and the names of those known who have signed it, in the order of their lines."""

    text: str
    by: list[str]


def open_note(note: str, known: Iterable[Verifier]) -> Opened:
    """The note's text, when one of the known has signed it. Signatures by others are not looked at.

    Raises NoteError for what is no note, for one that nobody known has signed, and for one on which the signature of
    somebody known is wrong.
    """
    text, lines = _halves(note)
    keys = {(each.name, each.key_id): each for each in known}
    by: list[Verifier] = []
    for name, signature in map(_signature, lines):
        verifier = keys.get((name, signature[:4]))
        if verifier is None or verifier in by:
            continue
        if not is_signed(verifier.public, text.encode(), signature[4:]):
            raise NoteError(f"the signature of {name} is not of this text")
        by.append(verifier)
    if not by:
        raise NoteError("nobody known has signed it")
    return Opened(text, [each.name for each in by])


def signatures(note: str) -> tuple[str, list[tuple[str, bytes, str]]]:
    """The text of a note, and each of its signatures by whomever: name, bytes behind its key's id, line."""
    text, lines = _halves(note)
    return text, [(*_signature(line), line) for line in lines]


def _halves(note: str) -> tuple[str, list[str]]:
    if len(note) > LONGEST:
        raise NoteError(f"a note has at most {LONGEST} bytes")
    head, gap, tail = note.rpartition("\n\n")
    if not gap or not tail.endswith("\n"):
        raise NoteError("a note is a text, an empty line and signatures, each line with its end")
    text = head + "\n"
    _check_text(text)
    lines = tail[:-1].split("\n")
    if len(lines) > MOST_SIGNATURES:
        raise NoteError(f"a note has at most {MOST_SIGNATURES} signatures")
    return text, lines


def _signature(line: str) -> tuple[str, bytes]:
    mark, name, signature = (*line.split(" "), "", "", "")[:3]
    if mark != "—" or line.count(" ") != 2 or not _is_name(name) or len(_bytes_of(signature)) < 5:
        raise NoteError("a line below the text is no signature")
    return name, _bytes_of(signature)


def _check_text(text: str) -> None:
    if not text.endswith("\n"):
        raise NoteError("a note's text ends with the end of a line")
    if any((c < " " and c != "\n") or "\ud800" <= c <= "\udfff" for c in text):
        raise NoteError("a note's text has no control characters")


def _is_name(text: str) -> bool:
    return bool(text) and "+" not in text and not any(c.isspace() or "\ud800" <= c <= "\udfff" for c in text)


def _bytes_of(text: str) -> bytes:
    try:
        found = b64decode(text, validate=True)
    except (NotBase64, ValueError):
        raise NoteError("not in base64") from None
    if b64encode(found).decode() != text:
        raise NoteError("base64 that is not written the one way")
    return found


@dataclass(frozen=True)
class Checkpoint:
    """How far a log has come: its origin, how many leaves, their root."""

    origin: str
    size: int
    root: bytes

    def __str__(self) -> str:
        return f"{self.origin}\n{self.size}\n{b64encode(self.root).decode()}\n"


def read_checkpoint(text: str) -> Checkpoint:
    """The checkpoint that a note's text states; further lines are extensions. Raises NoteError when it states none."""
    lines = text.split("\n")
    if len(lines) < 4 or lines.pop() or "" in lines:
        raise NoteError("a checkpoint is three lines or more: origin, size, root")
    origin, size, root = lines[:3]
    if not _SIZE.fullmatch(size) or len(size) > 19 or int(size) >= 2**63:
        raise NoteError("a size is a whole number without leading zeros")
    found = _bytes_of(root)
    if len(found) != 32:
        raise NoteError("a root has 32 bytes")
    return Checkpoint(origin, int(size), found)
