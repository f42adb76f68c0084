"""The door: routes, contracts, the problem table. How anything is hashed or folded is not known here."""

import logging
import sqlite3
from typing import Any

from flask import Flask, Response, request
from sqlalchemy.exc import DBAPIError, OperationalError
from werkzeug.exceptions import HTTPException, MethodNotAllowed

from service_api.domain.refusals import Busy, Refusal
from service_api.http import attachments, auth, entries, feeds, jobs, pages, people, problems, tags, units

ROOMS = (entries, units, tags, jobs, feeds, people, attachments, pages)
log = logging.getLogger("fettlebook")


class Internal(Refusal):
    slug = "internal"


class Plain(Refusal):
    """A refusal of the framework's own, by slug."""

    def __init__(self, slug: str, detail: str) -> None:
        super().__init__(detail)
        self.slug = slug


STATUS = {404: "not-found", 405: "wrong-method", 413: "too-large", 415: "wrong-media-type"}


def make_app(store: Any) -> Flask:
    """The application around an open store (`service_api.app.Store`)."""
    app = Flask("fettlebook", static_folder=None)
    app.json.sort_keys = False  # type: ignore[attr-defined]
    app.url_map.strict_slashes = False
    app.extensions["store"] = store
    for room in ROOMS:
        app.register_blueprint(room.bp)
    app.before_request(auth.open_door)
    app.after_request(_headers)
    app.register_error_handler(Refusal, problems.respond)
    app.register_error_handler(HTTPException, _http)
    app.register_error_handler(DBAPIError, _store_trouble)
    app.register_error_handler(Exception, _ours)
    return app


def _http(error: HTTPException) -> Response:
    status = error.code or 500
    slug = STATUS.get(status, "bad-query" if status < 500 else "internal")
    response = problems.respond(Plain(slug, error.description or error.name), status)
    if isinstance(error, MethodNotAllowed) and error.valid_methods:
        response.headers["Allow"] = ", ".join(error.valid_methods)
    return response


# SQLite's primary result codes, and PostgreSQL's SQLSTATEs, of what is rolled back for certain
HELD = {sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED, sqlite3.SQLITE_READONLY, "55P03", "40001", "40P01", "25006"}
FULL = {sqlite3.SQLITE_FULL, "53100"}


def _store_trouble(error: DBAPIError) -> Response:
    """A store that is held or read-only is busy, a full disk is said to be one; both only when nothing was kept.

    Any other trouble leaves the outcome unknown, as does a server's at a commit (which has no statement). SQLite's is
    told by the roll-back that came after it: had that failed, its error would be here in the place of this one.
    """
    code = getattr(error.orig, "sqlstate", None)
    certain = error.statement is not None and not error.connection_invalidated
    if isinstance(error.orig, sqlite3.Error):
        code, certain = getattr(error.orig, "sqlite_errorcode", 0) & 0xFF, True
    if not isinstance(error, OperationalError) and code not in HELD | FULL:
        return _ours(error)
    log.error("store: %s", error.orig)
    if certain and code in HELD:
        return problems.respond(Busy("the store is held or read-only; nothing was recorded"))
    if certain and code in FULL:
        return problems.respond(Plain("disk-full", "the store has no space left; nothing was recorded"))
    return problems.respond(Plain("outcome-unknown", "the store did not answer; what was kept is not known here"))


def _ours(error: Exception) -> Response:
    log.exception("%s %s", request.method, request.path, exc_info=error)
    return problems.respond(Internal("something went wrong here; it has been written down"))


def _headers(response: Response) -> Response:
    response.headers.setdefault("X-Content-Type-Options", "nosniff")
    response.headers.setdefault("Referrer-Policy", "no-referrer")
    response.headers.setdefault("Content-Security-Policy", "default-src 'none'; frame-ancestors 'none'")
    return response
