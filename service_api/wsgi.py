"""The application for a WSGI server of one's own, whose every worker opens the store for itself:

gunicorn --worker-class gthread --threads 32 --workers 4 'service_api.wsgi:application()'
"""

import atexit
import os
from typing import Any

from werkzeug.middleware.proxy_fix import ProxyFix
from werkzeug.wsgi import ClosingIterator

from service_api.app import Store, create_app
from service_api.settings import read_settings

MOST = 64 * 1024 * 1024  # bytes of a refused body that are taken in, so that its sender gets to read why
CHUNK = 64 * 1024


def application() -> Any:
    """The application on the store that the settings name, opened in this process and closed with it."""
    store = Store(read_settings(os.environ))
    atexit.register(store.close)
    return serving(store)


def serving(store: Store, proxy: str | None = None) -> Any:
    """The application on an open store, for a server that does not take in a body before it calls.

    proxy : whose word of the caller's address, host and scheme is believed
    """
    app = create_app(store)
    behind = ProxyFix(app, x_for=1, x_proto=1, x_host=1)

    def called(environ: dict[str, Any], start_response: Any) -> Any:
        one = behind if proxy is not None and environ.get("REMOTE_ADDR") == proxy else app
        return ClosingIterator(one(environ, start_response), lambda: _take_in(environ["wsgi.input"]))

    return called


def _take_in(rest: Any) -> None:
    """What nobody read of a body: a connection that is shut on it would take the answer along."""
    left = MOST
    while left > 0 and (chunk := rest.read(min(left, CHUNK))):
        left -= len(chunk)
