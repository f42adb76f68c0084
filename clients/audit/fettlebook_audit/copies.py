"""A copy of a book on disk: every checkpoint ever seen, the keys, and the tiles as they are named.

DIR/keys : one public key a line
DIR/checkpoints/ : notes, named by size and the digest of their bytes; none is ever removed
DIR/tile/ : hash tiles of level 0 and entry bundles
"""

import os
from collections.abc import Iterator
from hashlib import sha256
from pathlib import Path

from fettlebook_audit import tiles
from fettlebook_audit.notes import Checkpoint, Key, NoteError, read_checkpoint, read_key


class CopyError(ValueError):
    """The copy cannot be used, and why."""


class Copy:
    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def keys(self) -> list[Key]:
        """Raises CopyError when there is none."""
        try:
            lines = (self.folder / "keys").read_text("utf-8").split("\n")
            return [read_key(line) for line in lines if line.strip()]
        except FileNotFoundError:
            raise CopyError(f"{self.folder} is no copy of a book: fetch one first") from None
        except ValueError as error:
            raise CopyError(f"{self.folder / 'keys'}: {error}") from None

    def trust(self, text: str) -> None:
        """One more key whose checkpoints are believed. Raises NoteError."""
        read_key(text)
        file = self.folder / "keys"
        before = file.read_text("utf-8") if file.exists() else ""
        if text.strip() not in before.split("\n"):
            write(file, f"{before}{text.strip()}\n".encode())

    def remember(self, note: bytes, checkpoint: Checkpoint) -> None:
        name = f"{checkpoint.size:015}-{sha256(note).hexdigest()[:16]}"
        write(self.folder / "checkpoints" / name, note)

    def checkpoints(self) -> Iterator[tuple[str, Checkpoint | NoteError]]:
        """Every kept checkpoint with its file's name, by size; or what is wrong with it."""
        keys = self.keys()
        folder = self.folder / "checkpoints"
        for file in sorted(folder.iterdir()) if folder.is_dir() else ():
            if file.suffix == ".part":
                continue
            with file.open("rb") as opened:
                note = opened.read(200_000)
            try:
                yield file.name, read_checkpoint(note, keys)
            except NoteError as error:
                yield file.name, error

    def has(self, kind: str, number: int, width: int) -> bool:
        return (self.folder / "tile" / tiles.path(kind, number, width)).is_file()

    def keep(self, kind: str, number: int, width: int, content: bytes) -> None:
        write(self.folder / "tile" / tiles.path(kind, number, width), content)

    def read(self, kind: str, number: int, width: int) -> bytes:
        """Raises FileNotFoundError; ValueError for a file that is longer than any tile."""
        with (self.folder / "tile" / tiles.path(kind, number, width)).open("rb") as file:
            content = file.read(tiles.LARGEST[kind] + 1)
        if len(content) > tiles.LARGEST[kind]:
            raise ValueError(f"longer than {tiles.LARGEST[kind]} bytes")
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
