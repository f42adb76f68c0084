"""Reading checkpoints, which are signed notes: https://c2sp.org/tlog-checkpoint, https://c2sp.org/signed-note."""

import re
from base64 import b64decode, b64encode
from collections.abc import Sequence
from dataclasses import dataclass
from hashlib import sha256

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

LONGEST = 100_000  # bytes of a checkpoint's note


class NoteError(ValueError):
    """A key or note that is not what it should be, and why."""


@dataclass(frozen=True)
class Key:
    name: str
    key_id: bytes
    public: bytes


@dataclass(frozen=True)
class Checkpoint:
    origin: str
    size: int
    root: bytes


def read_key(text: str) -> Key:
    """The public key that is written name+id+key. Raises NoteError."""
    name, _, rest = text.strip().partition("+")
    key_id, _, key = rest.partition("+")
    content = _bytes_of(key)
    if not name or len(content) != 33 or content[0] != 1:
        raise NoteError("not a public Ed25519 key as `fettlebook key list` prints it")
    found = Key(name, sha256(name.encode() + b"\n" + content).digest()[:4], content[1:])
    if found.key_id.hex() != key_id:
        raise NoteError(f"the id {key_id} is not that of the key of {name}")
    return found


def read_checkpoint(note: bytes, keys: Sequence[Key]) -> Checkpoint:
    """What a note states that one of the keys has signed. Signatures of others are not looked at. Raises NoteError."""
    text, signatures = _halves(note)
    good = False
    for line in signatures:
        parts = line.split(" ")
        if len(parts) != 3 or parts[0] != "—":
            raise NoteError("a line below the text is no signature")
        signature = _bytes_of(parts[2])
        for key in keys:
            if (key.name, key.key_id) == (parts[1], signature[:4]):
                _check(key, text, signature[4:])
                good = True
    if not good:
        raise NoteError("no key that is known here has signed it")
    found = _stated(text)
    if found.origin not in {key.name for key in keys}:
        raise NoteError(f"it is of {found.origin}, and the keys are of {', '.join(sorted({k.name for k in keys}))}")
    return found


def _check(key: Key, text: str, signature: bytes) -> None:
    try:
        Ed25519PublicKey.from_public_bytes(key.public).verify(signature, text.encode())
    except (InvalidSignature, ValueError):
        raise NoteError(f"the signature of {key.name} is not of this text") from None


def _halves(note: bytes) -> tuple[str, list[str]]:
    if len(note) > LONGEST:
        raise NoteError(f"a checkpoint has at most {LONGEST} bytes")
    try:
        text, gap, tail = note.decode().rpartition("\n\n")
    except UnicodeDecodeError:
        raise NoteError("a checkpoint is text") from None
    if not gap or not tail.endswith("\n"):
        raise NoteError("a checkpoint is a text, an empty line and signatures; it may have been cut short")
    return text + "\n", tail[:-1].split("\n")


def _stated(text: str) -> Checkpoint:
    lines = text.split("\n")
    if len(lines) < 4 or "" in lines[:-1] or not re.fullmatch(r"0|[1-9][0-9]{0,17}", lines[1]):
        raise NoteError("a checkpoint states origin, size and root, a line each")
    root = _bytes_of(lines[2])
    if len(root) != 32:
        raise NoteError("a root has 32 bytes")
    return Checkpoint(lines[0], int(lines[1]), root)


def _bytes_of(text: str) -> bytes:
    try:
        found = b64decode(text, validate=True)
    except ValueError:
        raise NoteError("not in base64") from None
    if b64encode(found).decode() != text:
        raise NoteError("base64 that is not written the one way")
    return found
