"""Commands to the process that holds the store: a local socket that only its owner may use.

A caller sends one line of JSON; it gets lines of JSON, of which the last one carries `status`.
"""

import json
import logging
import os
import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from socketserver import StreamRequestHandler, ThreadingUnixStreamServer
from typing import Any

from service_api.app import Store

Line = dict[str, Any]
Send = Callable[[Line], None]
Run = Callable[[Store, Line, Send], Line]

NAME = "fettlebook.sock"
LONGEST_PATH = 107  # bytes, Linux: the 108 of sun_path end in a zero
LONGEST_LINE = 16 * 1024 * 1024
ASKING = 10  # seconds within which a caller has said what it wants
log = logging.getLogger("fettlebook")


class Unreachable(OSError):
    """Nobody takes commands there."""


class Broken(OSError):
    """The holder went away before it had answered: what it did of the command is not known."""


def ask(where: str, request: Line, hear: Send) -> Line:
    """What the holder answers; `hear` gets the lines that come before. Raises Unreachable or Broken."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as line:
        try:
            with _short(Path(where)) as path:
                line.connect(path)
        except OSError as error:
            raise Unreachable(f"{where}: {error.strerror or error}") from error
        try:
            line.sendall(json.dumps(request).encode() + b"\n")
            with line.makefile("rb") as said:
                for text in said:
                    found = json.loads(text)
                    if "status" in found:
                        return dict(found)
                    hear(found)
        except (OSError, ValueError) as error:
            raise Broken(str(error)) from error
    raise Broken("no answer came")


@contextmanager
def listening(store: Store, run: Run) -> Iterator[None]:
    """Take commands for this store in threads of their own; on a server store, which nobody holds, none are needed."""
    if store.hold is None:
        yield
        return
    path = store.settings.data / NAME
    path.unlink(missing_ok=True)  # left by a process that was killed: the lock is ours, so nobody listens there
    with _Server(path, store, run) as server:
        threading.Thread(target=server.serve_forever, name="commands", daemon=True).start()
        store.hold.say(str(path))
        try:
            yield
        finally:
            store.hold.say("")
            path.unlink(missing_ok=True)
            server.shutdown()


class _Server(ThreadingUnixStreamServer):
    daemon_threads = True
    request_queue_size = 64

    def __init__(self, path: Path, store: Store, run: Run) -> None:
        self.store, self.run = store, run
        umask = os.umask(0o177)
        try:
            with _short(path) as short:
                super().__init__(short, _Caller)
        finally:
            os.umask(umask)

    def handle_error(self, request: Any, client_address: Any) -> None:
        log.exception("a command to the store's holder")


class _Caller(StreamRequestHandler):
    timeout = ASKING
    server: _Server

    def handle(self) -> None:
        try:
            request = json.loads(self.rfile.readline(LONGEST_LINE))
        except (OSError, ValueError):
            return  # hung up, or said nothing that can be followed: nothing was begun
        self.request.settimeout(None)
        self._send(self.server.run(self.server.store, request, self._send))

    def _send(self, line: Line) -> None:
        with suppress(OSError):  # a caller that hung up is told nothing; what it asked for is done all the same
            self.wfile.write(json.dumps(line).encode() + b"\n")


@contextmanager
def _short(path: Path) -> Iterator[str]:
    """The path, or another name of the same place that the address of a socket has room for."""
    if len(os.fsencode(path)) <= LONGEST_PATH:
        yield str(path)
        return
    folder = os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        yield f"/proc/self/fd/{folder}/{path.name}"
    finally:
        os.close(folder)
