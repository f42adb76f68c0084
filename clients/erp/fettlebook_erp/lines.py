"""JSON Lines as a sink: one change a line, and the last whole line is the cursor.

Nothing but the file itself is written, so changes and cursor cannot come apart. A line is the change as the service
gave it, with its generation before it:

    {"generation": "1", "cursor": "41:SEL-004", "index": 41, "unit": "SEL-004", "changed": [...], "condition": {...}}

- A page's lines go out in one write and are synced to the disk before the next page is asked for.
- A kill can leave some whole lines of a page and a torn one. On the next start what stands behind the last line feed
  is cut off, and the pull goes on from the cursor of the last whole line. `from` is inclusive, so that change comes
  once more and is left out. No change is lost, none is doubled.
- After a loss of power the disk may hold less than was written, down to the last sync, and then the cursor is that much
  earlier too. Should it hold damaged bytes at its end instead, the sink says so and cuts nothing.
- One puller at a time: the file is locked while it is open (not on Windows).

A new generation starts a new file beside the old one, which stays as it was: `changes.jsonl`, then
`changes.reading-2.jsonl`, `changes.reading-3.jsonl`. The highest number is the one that is written to.

Who reads the file while it grows reads up to the last line feed.
"""

import json
import os
import re
from collections.abc import Sequence
from pathlib import Path
from types import TracebackType
from typing import Any, BinaryIO, Self

from fettlebook_erp.pages import Change, Place, index_of
from fettlebook_erp.trouble import CouldNotRun, FoundWrong

try:
    import fcntl
except ImportError:  # Windows
    fcntl = None  # type: ignore[assignment]

BLOCK = 64 * 1024
HEAD = b'{"generation":"'  # every line of ours begins so


def readings(path: Path) -> dict[int, Path]:
    """The files of a sink by the number of the reading, the first being the path itself."""
    pattern = re.compile(rf"{re.escape(path.stem)}\.reading-([1-9][0-9]*){re.escape(path.suffix)}")
    found = {1: path} if path.exists() else {}
    if path.parent.is_dir():
        for other in path.parent.iterdir():
            if named := pattern.fullmatch(other.name):
                found[int(named[1])] = other
    return found


def last_line(file: BinaryIO) -> tuple[bytes, int, bytes]:
    """The last whole line without its line feed, the place where it ends, and the torn rest behind it."""
    start = file.seek(0, os.SEEK_END)
    tail = b""
    while start > 0 and tail.count(b"\n") < 2:
        step = min(BLOCK, start)
        start = file.seek(start - step)
        tail = file.read(step) + tail
    whole, feed, torn = tail.rpartition(b"\n")
    return whole.rpartition(b"\n")[2], start + len(whole) + len(feed), torn


def place_in(path: Path, line: bytes, torn: bytes) -> Place:
    """The place that a file's last line gives. Raises FoundWrong when the file is none of ours."""
    if torn[: len(HEAD)] != HEAD[: len(torn)]:
        raise FoundWrong(f"{path} is not a file of changes, or is damaged: it ends in {torn[:40]!r}")
    if not line:
        return Place()
    try:
        change = json.loads(line)
        index_of(change["cursor"])
        return Place(str(change["generation"]), change["cursor"], change["cursor"])
    except (ValueError, TypeError, KeyError, FoundWrong) as error:
        raise FoundWrong(f"{path} is not a file of changes, or is damaged in its last whole line: {error}") from None


def line_of(change: Change, generation: str) -> bytes:
    text = json.dumps({"generation": generation, **change}, ensure_ascii=False, separators=(",", ":"))
    return text.encode() + b"\n"


class LinesSink:
    """The file, open for adding to. Where it is a context it is locked, and closed afterwards."""

    def __init__(self, path: Path) -> None:
        """The file is there, ends in a whole line and is locked. Raises FoundWrong, CouldNotRun or OSError."""
        self._lock = open(path, "ab")  # noqa: SIM115 (held until close)
        try:
            if fcntl is not None:
                fcntl.flock(self._lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
            self._base = path
            self._number = max(readings(path))
            self._open()
        except BlockingIOError:
            self._lock.close()
            raise CouldNotRun(f"another puller writes to {path}: the file is locked") from None
        except BaseException:
            self._lock.close()
            raise

    def _open(self) -> None:
        self.path = readings(self._base)[self._number]
        self._file = open(self.path, "r+b", buffering=0)  # noqa: SIM115 (held until close)
        try:
            line, end, torn = last_line(self._file)
            self._place = place_in(self.path, line, torn)
            if torn:
                self._file.truncate(end)
            self._file.seek(end)
            if end == 0:
                self._sync_folder()
        except BaseException:
            self._file.close()
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self._file.close()
        self._lock.close()

    @property
    def place(self) -> Place:
        return self._place

    def store(self, changes: Sequence[Change], generation: str, after: str) -> None:
        last = self._place.last
        if changes:
            rest = memoryview(b"".join(line_of(change, generation) for change in changes))
            while rest:
                rest = rest[self._file.write(rest) :]
            os.fsync(self._file.fileno())
            last = changes[-1]["cursor"]
        # `after` is kept in memory only: a later start asks from the last line, and is given nothing that is not new
        self._place = Place(self._place.generation if last is None else generation, after, last)

    def begin_again(self, generation: str) -> None:
        """A file that is killed while it is empty says no generation, and takes the one that comes."""
        number = self._number + 1
        path = self._base.with_name(f"{self._base.stem}.reading-{number}{self._base.suffix}")
        open(path, "xb").close()
        self._file.close()
        self._number = number
        self._open()

    def _sync_folder(self) -> None:
        """The file's name is on the disk too."""
        if os.name != "posix":
            return
        folder = os.open(self.path.parent, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)


def status(path: Path) -> dict[str, Any]:
    """How far the file is; it is not touched. Raises CouldNotRun when there is none, FoundWrong when it is not ours."""
    found = readings(path)
    if not found:
        raise CouldNotRun(f"nothing was pulled to {path} yet: there is no such file")
    current = found[max(found)]
    with current.open("rb") as file:
        line, end, torn = last_line(file)
        place = place_in(current, line, torn)
        file.seek(0)
        count = sum(piece.count(b"\n") for piece in iter(lambda: file.read(BLOCK), b""))
    return {
        "to": str(path),
        "file": str(current),
        "readings": len(found),
        "changes": count,
        "cursor": place.start,
        "generation": place.generation,
        "bytes": end,
        "torn": bool(torn),
    }
