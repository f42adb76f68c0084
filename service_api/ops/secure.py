"""The service's own https: gunicorn, whose threads speak TLS, in one process that holds the store."""

import socket
import ssl
from collections.abc import Callable
from contextlib import ExitStack
from typing import Any

from gunicorn.app.base import BaseApplication

from service_api.app import Store, create_app
from service_api.ops.commands import Run, listening
from service_api.ops.processor import keep_to_one
from service_api.settings import THREADS, Settings

WAITING = 1024  # connections that nobody has taken yet
GRACE = 30  # seconds in which what was begun is answered


class BadPair(ValueError):
    """The certificate or the key cannot be used."""


def listen(host: str, port: int, pair: tuple[str, str]) -> socket.socket:
    """A socket that takes connections. Raises BadPair when certificate and key do not go together, OSError."""
    try:
        ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(*pair)
    except (ssl.SSLError, OSError) as error:
        raise BadPair(f"certificate and key cannot be used: {error}") from error
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    return socket.create_server((host, port), family=family, backlog=WAITING)


def run(
    settings: Settings, listener: socket.socket, pair: tuple[str, str], ready: Callable[[], None], done_for: Run
) -> None:
    """Serve until stopped; `ready` is called when the store is open. Never returns."""
    _Service(settings, listener, pair, ready, done_for).run()


class _Service(BaseApplication):  # type: ignore[misc]
    def __init__(
        self,
        settings: Settings,
        listener: socket.socket,
        pair: tuple[str, str],
        ready: Callable[[], None],
        done_for: Run,
    ) -> None:
        self.settings, self.listener, self.pair = settings, listener, pair
        self.ready, self.done_for = ready, done_for
        self.opened = ExitStack()
        super().__init__()

    def load_config(self) -> None:
        chosen: dict[str, Any] = {
            "bind": f"fd://{self.listener.fileno()}",
            "workers": 1,
            "worker_class": "gthread",
            "threads": THREADS,
            "keepalive": 75,
            "graceful_timeout": GRACE,
            "loglevel": "warning",
            "proc_name": "fettlebook",
            "certfile": self.pair[0],
            "keyfile": self.pair[1],
            "ssl_context": _context,
            "worker_exit": lambda _, worker: worker.app.opened.close(),
        }
        for name, value in chosen.items():
            self.cfg.set(name, value)

    def load(self) -> Any:
        """In the one worker, after it was made: connections and locks are nobody else's."""
        keep_to_one()
        store = Store(self.settings)
        self.opened.callback(store.close)
        self.opened.enter_context(listening(store, self.done_for))
        self.ready()
        return create_app(store)


def _context(_: Any, made: Callable[[], ssl.SSLContext]) -> ssl.SSLContext:
    found = made()
    found.minimum_version = ssl.TLSVersion.TLSv1_2
    return found
