"""gunicorn before a store: one process that speaks TLS, or several processes on a server store, each with threads,
connections and recorders of its own. Who stops the first process stops all of them, when they have answered.
"""

import socket
import ssl
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from gunicorn.app.base import BaseApplication

from service_api.app import Store
from service_api.ops.commands import Run, listening
from service_api.ops.heap import collect_seldom, keep_to_one_heap
from service_api.ops.processor import keep_to_one
from service_api.settings import THREADS, Settings
from service_api.wsgi import serving

LONGEST_LINE = 8190  # bytes of a request's first line, and of a header; more than any client of ours sends
WAITING = 1024  # connections that nobody has taken yet
GRACE = 30  # seconds in which what was begun is answered
SILENCE = 120  # seconds after which a worker that shows no life is replaced; a paused machine is no hung worker


class BadPair(ValueError):
    """The certificate or the key cannot be used."""


@dataclass(frozen=True)
class Served:
    """What is served, and how.

    listener : bound already; what comes before the first worker is up waits in it
    pair : files of the certificate's chain and its key, for https
    proxy : whose word of the caller's address, host and scheme is believed
    ready : called once, when there is a process to serve
    """

    settings: Settings
    listener: socket.socket
    done_for: Run
    ready: Callable[[], None]
    workers: int = 1
    pair: tuple[str, str] | None = None
    proxy: str | None = None


def listen(host: str, port: int, pair: tuple[str, str] | None = None) -> socket.socket:
    """A socket that takes connections. Raises BadPair when certificate and key do not go together, OSError."""
    if pair is not None:
        try:
            ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(*pair)
        except (ssl.SSLError, OSError) as error:
            raise BadPair(f"certificate and key cannot be used: {error}") from error
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    return socket.create_server((host, port), family=family, backlog=WAITING)


def run(served: Served) -> None:
    """Serve until stopped. Never returns."""
    _Service(served).run()


class _Service(BaseApplication):  # type: ignore[misc]
    def __init__(self, served: Served) -> None:
        self.served = served
        self.opened = ExitStack()
        super().__init__()

    def load_config(self) -> None:
        chosen: dict[str, Any] = {
            "bind": f"fd://{self.served.listener.fileno()}",
            "workers": self.served.workers,
            "worker_class": "gthread",
            "threads": THREADS,
            "limit_request_line": LONGEST_LINE,
            "limit_request_field_size": LONGEST_LINE,
            "keepalive": 75,
            "graceful_timeout": GRACE,
            "timeout": SILENCE,
            "loglevel": "warning",
            "proc_name": "fettlebook",
            "forwarded_allow_ips": "",  # whom we believe is said by `proxy`
            "when_ready": lambda _: self.served.ready() if self.served.workers > 1 else None,
            "worker_exit": lambda _, worker: worker.app.opened.close(),
        }
        if Path("/dev/shm").is_dir():
            chosen["worker_tmp_dir"] = "/dev/shm"  # where they show that they live; no disk may hold that up
        if self.served.pair is not None:
            certificate, key = self.served.pair
            chosen |= {"certfile": certificate, "keyfile": key, "ssl_context": _context}
        for name, value in chosen.items():
            self.cfg.set(name, value)

    def load(self) -> Any:
        """In each worker, after it was made: connections and locks are nobody else's."""
        keep_to_one()
        keep_to_one_heap()
        store = Store(self.served.settings)
        self.opened.callback(store.close)
        self.opened.enter_context(listening(store, self.served.done_for))
        collect_seldom()
        if self.served.workers == 1:
            self.served.ready()
        return serving(store, self.served.proxy)


def _context(_: Any, made: Callable[[], ssl.SSLContext]) -> ssl.SSLContext:
    found = made()
    found.minimum_version = ssl.TLSVersion.TLSv1_2
    return found
