"""Children whose system calls are counted, failed, killed at, or written down, by strace.

A child prepares itself, stops, and does its work once strace holds it; so the first call counted is the first of the
work. Children are forked from a clean process that has everything imported.
"""

import json
import multiprocessing
import os
import shutil
import signal
import subprocess
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cache
from multiprocessing.context import ForkServerContext
from pathlib import Path
from typing import Any

SECONDS = 60


def strace() -> str | None:
    """Where strace is; None when it is missing or may not look into a process of ours."""
    found = shutil.which("strace")
    if found is None:
        return None
    tried = subprocess.run([found, "-o", os.devnull, "true"], capture_output=True)
    return found if tried.returncode == 0 else None


@cache
def _children() -> ForkServerContext:
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["tests.faults.warm"])
    return context


@dataclass
class Ended:
    """How a child ended: its exit status (-9 when it was killed), and what it said until then."""

    status: int | None
    said: list[Any] = field(default_factory=list)


def traced(
    work: Callable[..., None], *given: Any, options: list[str], held: Callable[[], None] = lambda: None
) -> Ended:
    """Run `work(say, ready, *given)` in a child held by strace with these options; `held` is called when it is.

    say : gives a JSON value to this process at once; ready : called when prepared, returns once strace holds the child
    """
    out, into = os.pipe()
    child = _children().Process(target=_begin, args=(work, _Fd(into), given))
    child.start()
    os.close(into)
    try:
        _wait(lambda: _state(child.pid) in "TZ", "the child never got ready")
        command = [strace() or "strace", "-f", "-qq", "-p", str(child.pid), *options]
        with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE) as tracer:
            _wait(lambda: _traced(child.pid) or tracer.poll() is not None, "strace never held the child")
            held()
            os.kill(child.pid, signal.SIGCONT)
            with os.fdopen(out, "rb") as pipe:
                said = [json.loads(line) for line in pipe if line.endswith(b"\n")]
            child.join(SECONDS)
            tracer.wait(SECONDS)
        return Ended(child.exitcode, said)
    finally:
        child.kill()
        child.join()
        child.close()


class _Fd:
    """A file descriptor on its way to a child."""

    def __init__(self, number: int) -> None:
        self.number = number

    def __getstate__(self) -> Any:
        return multiprocessing.reduction.DupFd(self.number)

    def __setstate__(self, dup: Any) -> None:
        self.number = dup.detach()


def _begin(work: Callable[..., None], into: _Fd, given: tuple[Any, ...]) -> None:
    def say(value: Any) -> None:
        os.write(into.number, json.dumps(value).encode() + b"\n")

    work(say, lambda: os.kill(os.getpid(), signal.SIGSTOP), *given)


def _wait(holds: Callable[[], bool], words: str) -> None:
    until = time.monotonic() + SECONDS
    while not holds():
        if time.monotonic() > until:
            raise RuntimeError(words)
        time.sleep(0.001)


def _status(pid: int | None) -> dict[str, str]:
    lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    return {name: value.strip() for name, _, value in (line.partition(":") for line in lines)}


def _state(pid: int | None) -> str:
    return _status(pid)["State"][0]


def _traced(pid: int | None) -> bool:
    return _status(pid)["TracerPid"] != "0"
