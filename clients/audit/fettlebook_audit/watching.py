"""A witness: remembers the last checkpoint that it signed, and signs a longer one when it goes on from there. No I/O.

https://c2sp.org/tlog-cosignature: what it signs says that this is the longest tree that it has seen of this origin, at
that time, and that every one it signed before was the beginning of it. It says nothing of what the entries say.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from fettlebook_audit.faults import Fault
from fettlebook_audit.notes import COSIGNATURE, Checkpoint, Key, cosignature, key_of, read_checkpoint
from fettlebook_audit.tree import BadProof, check_consistency


class Refused(Exception):
    """The checkpoint is not signed; `fault` says why."""

    def __init__(self, fault: Fault) -> None:
        super().__init__(fault.line())
        self.fault = fault


@dataclass
class Witness:
    """name : of the witness, one word such as a host name
    keys : the book's
    last : the longest checkpoint that it has signed
    """

    name: str
    secret: Ed25519PrivateKey
    keys: Sequence[Key]
    last: Checkpoint | None = None

    @property
    def key(self) -> Key:
        return key_of(self.name, self.secret.public_key().public_bytes_raw(), COSIGNATURE)

    def needs(self, note: bytes) -> tuple[int, int] | None:
        """The sizes between which a consistency proof is needed to sign this; None when none is.

        Raises NoteError for what the book has not signed, Refused for a rollback.
        """
        now = read_checkpoint(note, self.keys)
        last = self.last
        if last is None:
            return None
        if now.size < last.size:
            words = f"the book has {now.size} entries, and had {last.size} when it was signed here"
            raise Refused(Fault("rolled back", now.size, last.size - 1, words))
        return None if last.size in (0, now.size) else (last.size, now.size)

    def sign(self, note: bytes, proof: Sequence[bytes], seconds: int) -> str:
        """The witness's signature line, and `last` is this checkpoint. Raises NoteError, Refused."""
        self.needs(note)
        now = read_checkpoint(note, self.keys)
        if self.last is not None:
            try:
                check_consistency(self.last.size, self.last.root, now.size, now.root, proof)
            except BadProof as error:
                words = f"it does not begin with the {self.last.size} entries that were signed here: {error}"
                raise Refused(Fault("forked", 0, max(self.last.size - 1, 0), words)) from None
        line = cosignature(note, self.name, self.secret, seconds)
        self.last = now
        return line
