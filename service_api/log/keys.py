"""The keys that sign a book's checkpoints: two files outside the database, the secret one readable by its owner alone.

N.key : the secret key in force, one line
N.witnesses : the public keys of those whose cosignatures are shown beside the book's own, one a line
N.pub : every public key that the book has had, the newest last; each line the moment from which it signs, and the key
"""

import os
import secrets
from dataclasses import dataclass
from pathlib import Path

from service_api.log.notes import COSIGNATURE, NoteError, Signer, Verifier, read_signer, read_verifier

OTHERS = 0o077


class KeyTrouble(RuntimeError):
    """The key cannot be used or made, and why; nothing of a secret one is repeated."""


@dataclass(frozen=True)
class Published:
    """A public key, and the moment from which it signs (UTC text)."""

    since: str
    verifier: Verifier


class Keys:
    """The keys of one book. `folder` is made with the first of them."""

    def __init__(self, folder: Path, book: int, origin: str) -> None:
        self.folder, self.origin = folder, origin
        self.secret, self.public = folder / f"{book}.key", folder / f"{book}.pub"
        self.known = folder / f"{book}.witnesses"

    def published(self) -> list[Published]:
        """Every public key, the newest last. Raises KeyTrouble when the file is damaged."""
        try:
            lines = self.public.read_text("utf-8").splitlines()
            return [Published(since, read_verifier(key)) for since, key in (line.split(" ", 1) for line in lines)]
        except FileNotFoundError:
            return []
        except (OSError, ValueError) as error:
            raise KeyTrouble(f"{self.public}: {error}") from None

    def witnesses(self) -> list[Verifier]:
        """Whose cosignatures are kept. Raises KeyTrouble when the file is damaged."""
        try:
            return [read_verifier(line, COSIGNATURE) for line in self.known.read_text("utf-8").splitlines()]
        except FileNotFoundError:
            return []
        except (OSError, ValueError) as error:
            raise KeyTrouble(f"{self.known}: {error}") from None

    def trust(self, witness: Verifier) -> None:
        """One more witness; a key of the same name takes the place of the old one. Raises KeyTrouble."""
        self._write_witnesses([*(w for w in self.witnesses() if w.name != witness.name), witness])

    def forget(self, name: str) -> None:
        """Raises KeyTrouble when there is no such witness."""
        kept = self.witnesses()
        if name not in {w.name for w in kept}:
            raise KeyTrouble(f"{self.origin} has no witness {name}")
        self._write_witnesses([w for w in kept if w.name != name])

    def _write_witnesses(self, every: list[Verifier]) -> None:
        try:
            self.folder.mkdir(mode=0o700, parents=True, exist_ok=True)
            fresh = self.known.with_suffix(".fresh")
            fresh.write_text("".join(f"{each}\n" for each in every), "utf-8")
            fresh.replace(self.known)
        except OSError as error:
            raise KeyTrouble(f"{self.known}: {error.strerror}") from None

    def signer(self) -> Signer | None:
        """The secret key in force; None when the book never had one.

        Raises KeyTrouble when others may read its file, when it is damaged, another book's, or lost.
        """
        try:
            with self.secret.open(encoding="utf-8") as file:
                if os.fstat(file.fileno()).st_mode & OTHERS:
                    raise KeyTrouble(f"{self.secret} may be read by others: chmod 600, and rotate the key")
                found = read_signer(file.read(1000).strip())
        except FileNotFoundError:
            if self.public.exists():
                raise KeyTrouble(f"{self.secret} is lost: restore it, or rotate the key") from None
            return None
        except (OSError, NoteError, UnicodeDecodeError) as error:
            raise KeyTrouble(f"{self.secret}: {error}") from None
        if found.name != self.origin:
            raise KeyTrouble(f"{self.secret} is the key of {found.name}, not of {self.origin}")
        return found

    def make(self, at: str) -> Verifier:
        """The book's first key. Raises KeyTrouble when it has, or had, one."""
        if self.secret.exists():
            raise KeyTrouble(f"{self.origin} has a key already")
        try:
            self.folder.mkdir(mode=0o700, parents=True, exist_ok=True)
            os.close(os.open(self.public, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o644))  # one of several makers wins
        except FileExistsError:
            raise KeyTrouble(f"{self.origin} had a key already: rotate it") from None
        except OSError as error:
            raise KeyTrouble(f"{self.public}: {error.strerror}") from None
        return self._take(at)

    def rotate(self, at: str) -> Verifier:
        """A new key, which signs from now on; the old secret is gone. Raises KeyTrouble when there never was one."""
        if not self.published():
            raise KeyTrouble(f"{self.origin} has no key to rotate: make one")
        return self._take(at)

    def _take(self, at: str) -> Verifier:
        """Published first: a key that signs has always been published."""
        signer = Signer(self.origin, secrets.token_bytes(32))
        try:
            with self.public.open("a", encoding="utf-8") as file:
                file.write(f"{at} {signer.verifier}\n")
                file.flush()
                os.fsync(file.fileno())
            fresh = self.secret.with_suffix(".new")
            fresh.unlink(missing_ok=True)
            with open(os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w", encoding="utf-8") as file:
                file.write(signer.written() + "\n")
                file.flush()
                os.fsync(file.fileno())
            fresh.replace(self.secret)
            there = os.open(self.folder, os.O_RDONLY)
            os.fsync(there)
            os.close(there)
        except OSError as error:
            raise KeyTrouble(f"{self.folder}: {error.strerror}") from None
        return signer.verifier
