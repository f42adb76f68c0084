"""Reading checkpoints, which are signed notes, and signing beside them as a witness.

https://c2sp.org/tlog-checkpoint, https://c2sp.org/signed-note, https://c2sp.org/tlog-cosignature
"""

import re
from base64 import b64decode, b64encode
from collections.abc import Sequence
from dataclasses import dataclass, field
from hashlib import sha256

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

LONGEST = 100_000  # bytes of a checkpoint's note
ED25519, COSIGNATURE = 1, 4  # what a key signs: the text alone, or the text behind the time of a witness


class NoteError(ValueError):
    """A key or note that is not what it should be, and why."""


@dataclass(frozen=True)
class Key:
    """kind : ED25519 of a book, COSIGNATURE of a witness"""

    name: str
    key_id: bytes
    public: bytes
    kind: int = ED25519


@dataclass(frozen=True)
class Checkpoint:
    """said_by : what of, for whoever reads that it does not hold"""

    origin: str
    size: int
    root: bytes
    said_by: str = field(default="a signed checkpoint", compare=False)


def key_of(name: str, public: bytes, kind: int = ED25519) -> Key:
    content = bytes([kind]) + public
    return Key(name, sha256(name.encode() + b"\n" + content).digest()[:4], public, kind)


def read_key(text: str) -> Key:
    """The public key that is written name+id+key. Raises NoteError."""
    name, _, rest = text.strip().partition("+")
    key_id, _, key = rest.partition("+")
    content = _bytes_of(key)
    if not name or len(content) != 33 or content[0] not in (ED25519, COSIGNATURE):
        raise NoteError("not a public Ed25519 key as `fettlebook key list` prints it")
    found = key_of(name, content[1:], content[0])
    if found.key_id.hex() != key_id:
        raise NoteError(f"the id {key_id} is not that of the key of {name}")
    return found


def written_key(key: Key) -> str:
    """As it is handed on."""
    return f"{key.name}+{key.key_id.hex()}+{b64encode(bytes([key.kind]) + key.public).decode()}"


def open_note(note: bytes, keys: Sequence[Key], longest: int = LONGEST) -> tuple[str, list[tuple[Key, int | None]]]:
    """The text of a note, and which of the keys have signed it, a witness with the seconds of its time.

    Signatures of others are not looked at. Raises NoteError unless a book's key has signed it, and when the signature
    of a key that is known is wrong.
    """
    text, lines = _halves(note, longest)
    by: list[tuple[Key, int | None]] = []
    for line in lines:
        parts = line.split(" ")
        if len(parts) != 3 or parts[0] != "—":
            raise NoteError("a line below the text is no signature")
        signature = _bytes_of(parts[2])
        for key in keys:
            if (key.name, key.key_id) == (parts[1], signature[:4]):
                by.append((key, _check(key, text, signature[4:])))
    if not any(key.kind == ED25519 for key, _ in by):
        raise NoteError("no key that is known here has signed it")
    return text, by


def read_checkpoint(note: bytes, keys: Sequence[Key]) -> Checkpoint:
    """What a note states that a book's key among these has signed. Raises NoteError."""
    text, _ = open_note(note, keys)
    found = read_stated(text)
    names = {key.name for key in keys if key.kind == ED25519}
    if found.origin not in names:
        raise NoteError(f"it is of {found.origin}, and the keys are of {', '.join(sorted(names))}")
    return found


def witnesses(note: bytes, keys: Sequence[Key]) -> dict[str, int]:
    """Which of the witnesses among these keys have signed a note, and when (seconds). Raises NoteError."""
    return {key.name: seconds for key, seconds in open_note(note, keys)[1] if seconds is not None}


def _check(key: Key, text: str, signature: bytes) -> int | None:
    """The time that a witness signed for. Raises NoteError."""
    message, seconds = text.encode(), None
    if key.kind == COSIGNATURE:
        seconds, signature = int.from_bytes(signature[:8], "big"), signature[8:]
        message = _witnessed(text, seconds)
    try:
        Ed25519PublicKey.from_public_bytes(key.public).verify(signature, message)
    except (InvalidSignature, ValueError):
        raise NoteError(f"the signature of {key.name} is not of this text") from None
    return seconds


def _witnessed(text: str, seconds: int) -> bytes:
    return f"cosignature/v1\ntime {seconds}\n{text}".encode()


def cosignature(note: bytes, name: str, secret: Ed25519PrivateKey, seconds: int) -> str:
    """The signature line of a witness for a checkpoint's note at a time (tlog-cosignature)."""
    text, _ = _halves(note, LONGEST)
    key = key_of(name, secret.public_key().public_bytes_raw(), COSIGNATURE)
    signature = key.key_id + seconds.to_bytes(8, "big") + secret.sign(_witnessed(text, seconds))
    return f"— {name} {b64encode(signature).decode()}\n"


def _halves(note: bytes, longest: int) -> tuple[str, list[str]]:
    if len(note) > longest:
        raise NoteError(f"a note has at most {longest} bytes")
    try:
        text, gap, tail = note.decode().rpartition("\n\n")
    except UnicodeDecodeError:
        raise NoteError("a note is text") from None
    if not gap or not tail.endswith("\n"):
        raise NoteError("a note is a text, an empty line and signatures; it may have been cut short")
    return text + "\n", tail[:-1].split("\n")


def read_stated(text: str) -> Checkpoint:
    """What the text of a checkpoint states, whoever signed it. Raises NoteError."""
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
