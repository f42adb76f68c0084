"""An embedded store belongs to one process at a time.

A lock on a file beside the database says so; the kernel lets it go with the process, however that ends. What stands in
the file only tells others whom to ask.
"""

import fcntl
import json
import os
import time
from dataclasses import asdict, dataclass
from pathlib import Path

from sqlalchemy.engine import make_url

PAUSE = 0.02  # seconds between two tries


@dataclass(frozen=True)
class Holder:
    """Who holds a store.

    doing : the command, such as `serve`
    socket : where it takes commands; empty while it takes none
    """

    pid: int
    doing: str
    socket: str = ""

    def __str__(self) -> str:
        return f"process {self.pid} ({self.doing})"


class StoreHeld(RuntimeError):
    """Another process holds the store. `holder` is None when it has not said who it is."""

    def __init__(self, holder: Holder | None) -> None:
        super().__init__(f"{holder or 'another process'} holds it")
        self.holder = holder


class Hold:
    """The store is this process's from here to `release`. Raises StoreHeld when another has it.

    patience : seconds to wait for a holder that takes no commands: it may be done soon
    """

    def __init__(self, url: str, doing: str, patience: float) -> None:
        self.doing = doing
        self._file: int | None = os.open(_beside(url), os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        until = time.monotonic() + patience
        try:
            while not _locked(self._file, fcntl.LOCK_EX):
                holder = _said(self._file)
                if (holder and holder.socket and _alive(holder.pid)) or time.monotonic() > until:
                    raise StoreHeld(holder)
                time.sleep(PAUSE)
            self.say("")
        except BaseException:
            self.release()
            raise

    def say(self, socket: str) -> None:
        """Let others know where this process takes commands."""
        if self._file is None:
            raise RuntimeError("the store is not held any more")
        words = json.dumps(asdict(Holder(os.getpid(), self.doing, socket))).encode()
        os.ftruncate(self._file, 0)
        os.pwrite(self._file, words, 0)

    def release(self) -> None:
        if self._file is not None:
            os.close(self._file)
        self._file = None


def holder(url: str) -> Holder | None:
    """Who holds this store now; nobody: None. Raises StoreHeld when somebody does who has not said who it is."""
    try:
        file = os.open(_beside(url), os.O_RDONLY | os.O_CLOEXEC)
    except FileNotFoundError:
        return None
    try:
        if _locked(file, fcntl.LOCK_SH):
            return None
        said = _said(file)
    finally:
        os.close(file)
    if said is None:
        raise StoreHeld(None)
    return said


def _beside(url: str) -> Path:
    database = Path(make_url(url).database or "")
    return database.with_name(f"{database.name}.lock")


def _locked(file: int, how: int) -> bool:
    try:
        fcntl.flock(file, how | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True


def _said(file: int) -> Holder | None:
    """What the holder wrote; None while it is about to."""
    try:
        return Holder(**json.loads(os.pread(file, 4096, 0)))
    except (ValueError, TypeError):
        return None


def _alive(pid: int) -> bool:
    """Whether that process runs; one of another user does. One that was killed may have left its words."""
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    return True
