"""A copy of a book on disk: every checkpoint ever seen, the keys, and the tiles as they are named.

DIR/keys : one public key a line, of the book and of witnesses
DIR/checkpoints/ : notes, named by size and the digest of their bytes; none is ever removed
DIR/tile/ : hash tiles of level 0 and entry bundles
DIR/forks/ : checkpoints that are not of the book in this copy, with what was found
DIR/verified : what the last check came to, so that the next one goes on from there
"""

import json
import os
from collections.abc import Iterator
from hashlib import sha256
from pathlib import Path
from typing import Any

from fettlebook_audit import tiles
from fettlebook_audit.faults import Fault
from fettlebook_audit.notes import LONGEST, Checkpoint, Key, NoteError, read_checkpoint, read_key


class CopyError(ValueError):
    """The copy cannot be used, and why."""


class Copy:
    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def keys(self) -> list[Key]:
        """Raises CopyError when there is none."""
        try:
            lines = read(self.folder / "keys", LONGEST).decode().split("\n")
            return [read_key(line) for line in lines if line.strip()]
        except FileNotFoundError:
            raise CopyError(f"{self.folder} is no copy of a book: fetch one first") from None
        except ValueError as error:
            raise CopyError(f"{self.folder / 'keys'}: {error}") from None

    def has_keys(self) -> bool:
        return (self.folder / "keys").exists()

    def trust(self, text: str) -> None:
        """One more key whose checkpoints are believed. Raises NoteError."""
        read_key(text)
        file = self.folder / "keys"
        before = read(file, LONGEST).decode() if file.exists() else ""
        if text.strip() not in before.split("\n"):
            write(file, f"{before}{text.strip()}\n".encode())

    def remember(self, note: bytes, checkpoint: Checkpoint) -> None:
        write(self.folder / "checkpoints" / name_of(note, checkpoint), note)

    def checkpoints(self) -> Iterator[tuple[str, Checkpoint | NoteError]]:
        """Every kept checkpoint with its file's name, by size; or what is wrong with it."""
        keys = self.keys()
        folder = self.folder / "checkpoints"
        for file in sorted(folder.iterdir()) if folder.is_dir() else ():
            if file.suffix == ".part":
                continue
            try:
                yield file.name, read_checkpoint(read(file, LONGEST), keys)
            except NoteError as error:
                yield file.name, error
            except ValueError as error:
                yield file.name, NoteError(str(error))

    def newest(self) -> Checkpoint | None:
        """The longest checkpoint that was ever seen."""
        return max((c for _, c in self.checkpoints() if isinstance(c, Checkpoint)), key=lambda c: c.size, default=None)

    def forked(self, note: bytes, checkpoint: Checkpoint, fault: Fault) -> None:
        """Keep a checkpoint that is not of this book, and where it parts from it: a fork is never forgotten."""
        found = {"note": note.decode(), "first": fault.first, "last": fault.last, "says": fault.says}
        write(self.folder / "forks" / name_of(note, checkpoint), json.dumps(found).encode())

    def forks(self) -> list[Fault]:
        folder = self.folder / "forks"
        found: list[Fault] = []
        for file in sorted(folder.glob("*-*")) if folder.is_dir() else ():
            try:
                said: dict[str, Any] = json.loads(read(file, 2 * LONGEST))
                read_checkpoint(said["note"].encode(), self.keys())
                found.append(Fault("forked", said["first"], said["last"], said["says"]))
            except (ValueError, KeyError, TypeError, AttributeError):
                found.append(Fault("damaged", None, None, f"{file.name} is no kept fork"))
        return found

    def has(self, kind: str, number: int, width: int) -> bool:
        return (self.folder / "tile" / tiles.path(kind, number, width)).is_file()

    def keep(self, kind: str, number: int, width: int, content: bytes) -> None:
        write(self.folder / "tile" / tiles.path(kind, number, width), content)

    def read(self, kind: str, number: int, width: int) -> bytes:
        """Raises FileNotFoundError; ValueError for a file that is longer than any tile."""
        return read(self.folder / "tile" / tiles.path(kind, number, width), tiles.LARGEST[kind])


class Stamp:
    """A digest of the sizes and times of the files of the first tiles: it moves when one of them is touched."""

    def __init__(self, copy: Copy) -> None:
        self._folder, self._number, self._digest = f"{copy.folder}/tile", 0, sha256()

    def until(self, number: int) -> bytes:
        """Of the first `number` tiles, which are no fewer than before; empty when a file is not there."""
        try:
            for at in range(self._number, number):
                for kind in tiles.LARGEST:
                    said = os.stat(f"{self._folder}/{tiles.path(kind, at, tiles.WIDTH)}")
                    times = said.st_ino, said.st_size, said.st_mtime_ns, said.st_ctime_ns
                    self._digest.update(b"%d %d %d %d\n" % times)
                self._number = at + 1
        except OSError:
            return b""
        return self._digest.digest()


def name_of(note: bytes, checkpoint: Checkpoint) -> str:
    return f"{checkpoint.size:015}-{sha256(note).hexdigest()[:16]}"


def read(path: Path, largest: int) -> bytes:
    """The bytes of a file. Raises ValueError when it has more than `largest`."""
    with path.open("rb") as file:
        content = file.read(largest + 1)
    if len(content) > largest:
        raise ValueError(f"longer than {largest} bytes")
    return content


def write(path: Path, content: bytes) -> None:
    """All of it or nothing, and on disk when this returns."""
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_name(path.name + ".part")
    with part.open("wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())
    part.replace(path)
