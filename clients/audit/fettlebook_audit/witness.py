"""Runs a witness over a service: its secret and what it signed last lie in a folder of its own.

DIR/keys : the book's public keys; DIR/witness.key : the secret, its owner's alone
DIR/signed : the last checkpoint that was signed, with the witness's line; DIR/refused/ : those that were not
"""

import fcntl
import os
from base64 import b64decode, b64encode
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from fettlebook_audit.copies import Copy, CopyError, name_of, read, write
from fettlebook_audit.fetching import Asked, consistency
from fettlebook_audit.notes import COSIGNATURE, LONGEST, key_of, read_checkpoint
from fettlebook_audit.watching import Refused, Witness

SECRET = "PRIVATE+KEY+"


@contextmanager
def held(folder: Path) -> Iterator[None]:
    """One witness at a time looks and signs. Raises CopyError while another does."""
    folder.mkdir(parents=True, exist_ok=True)
    with (folder / "lock").open("w") as file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise CopyError(f"another witness is at work in {folder}") from None
        yield


def witness_in(folder: Path, name: str | None) -> Witness:
    """The witness of a folder; a new one gets a secret of its own. Raises CopyError."""
    copy = Copy(folder)
    keys = copy.keys()
    kept = _secret(folder / "witness.key", name)
    found = Witness(*kept, keys)
    try:
        found.last = read_checkpoint(read(folder / "signed", LONGEST), keys)
    except FileNotFoundError:
        return found
    except ValueError as error:
        raise CopyError(f"{folder / 'signed'}: {error}") from None
    return found


def _secret(file: Path, name: str | None) -> tuple[str, Ed25519PrivateKey]:
    try:
        with file.open() as opened:
            if os.fstat(opened.fileno()).st_mode & 0o077:
                raise CopyError(f"{file} may be read by others: it is no secret any more")
            text = opened.read(1000).strip()
        kept, _, rest = text.removeprefix(SECRET).partition("+")
        content = b64decode(rest.partition("+")[2], validate=True)
        if not text.startswith(SECRET) or content[:1] != bytes([COSIGNATURE]) or name not in (None, kept):
            raise CopyError(f"{file} is not the secret of {name or 'a witness'}")
        return kept, Ed25519PrivateKey.from_private_bytes(content[1:])
    except FileNotFoundError:
        if name is None:
            raise CopyError("a new witness wants a name: --name witness.example") from None
    except ValueError as error:
        raise CopyError(f"{file}: {error}") from None
    secret = Ed25519PrivateKey.generate()
    key = key_of(name, secret.public_key().public_bytes_raw(), COSIGNATURE)
    seed = b64encode(bytes([COSIGNATURE]) + secret.private_bytes_raw()).decode()
    with open(os.open(file, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w") as opened:
        opened.write(f"{SECRET}{name}+{key.key_id.hex()}+{seed}\n")
        opened.flush()
        os.fsync(opened.fileno())
    return name, secret


def look(folder: Path, witness: Witness, service: Asked, seconds: int) -> bytes | None:
    """One look at the service: the cosigned note where its checkpoint is new, which is remembered before it is given.

    Raises Refused, whose checkpoint is kept; NoteError, Unanswered, Unreachable.
    """
    note = service.get("log/checkpoint", LONGEST)
    before = witness.last
    try:
        sizes = witness.needs(note)
        proof = [] if sizes is None else _proof(service, *sizes)
        line = witness.sign(note, proof, seconds)
    except Refused:
        write(folder / "refused" / name_of(note, read_checkpoint(note, witness.keys)), note)
        raise
    if witness.last == before:
        return None
    signed = note + line.encode()
    write(folder / "signed", signed)
    return signed


def _proof(service: Asked, old: int, new: int) -> list[bytes]:
    """What is no proof shows nothing."""
    try:
        return consistency(service, old, new)
    except ValueError:
        return []
