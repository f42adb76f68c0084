"""The door: routes, contracts, the problem table. How anything is hashed or folded is not known here."""

from typing import Any

from flask import Flask, Response, request
from sqlalchemy.exc import DBAPIError
from sqlalchemy.exc import TimeoutError as NoConnection
from werkzeug.exceptions import HTTPException, MethodNotAllowed

from service_api.domain.refusals import Busy, Refusal
from service_api.http import (
    attachments,
    auth,
    bundles,
    devices,
    entries,
    feeds,
    fleet,
    gauges,
    held,
    histories,
    jobs,
    lots,
    pages,
    papers,
    people,
    problems,
    proofs,
    releases,
    sessions,
    straight,
    tags,
    units,
)

ROOMS = (
    entries,
    units,
    histories,
    tags,
    jobs,
    lots,
    fleet,
    gauges,
    held,
    feeds,
    people,
    devices,
    sessions,
    attachments,
    proofs,
    bundles,
    releases,
    papers,
    pages,
)


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
    app.register_blueprint(proofs.of_book)
    app.extensions["doors"] = auth.doors(app)
    app.before_request(auth.open_door)
    app.register_error_handler(Refusal, problems.respond)
    app.register_error_handler(HTTPException, _http)
    app.register_error_handler(DBAPIError, _store_trouble)
    app.register_error_handler(NoConnection, _no_connection)
    app.register_error_handler(Exception, _ours)
    app.wsgi_app = straight.around(app, _with_fixed_headers(app.wsgi_app), FIXED)  # type: ignore[method-assign]
    return app


def _http(error: HTTPException) -> Response:
    status = error.code or 500
    slug = STATUS.get(status, "bad-query" if status < 500 else "internal")
    response = problems.respond(Plain(slug, error.description or error.name), status)
    if isinstance(error, MethodNotAllowed) and error.valid_methods:
        response.headers["Allow"] = ", ".join(error.valid_methods)
    return response


def _store_trouble(error: DBAPIError) -> Response:
    refusal = problems.of_store(error)
    return _ours(error) if refusal is None else problems.respond(refusal)


def _no_connection(error: NoConnection) -> Response:
    problems.log.error("store: %s", error)
    return problems.respond(Busy("others use the store; nothing was recorded"))


def _ours(error: Exception) -> Response:
    problems.log.exception("%s %s", request.method, request.path, exc_info=error)
    return problems.respond(Internal("something went wrong here; it has been written down"))


FIXED = [
    ("X-Content-Type-Options", "nosniff"),
    ("Referrer-Policy", "no-referrer"),
    ("Content-Security-Policy", "default-src 'none'; frame-ancestors 'none'"),
]


def _with_fixed_headers(inner: Any) -> Any:
    """A WSGI application that answers as `inner` does, with the fixed headers where an answer has none of its own."""

    def application(environ: Any, start_response: Any) -> Any:
        def start(status: str, headers: list[tuple[str, str]], *error: Any) -> Any:
            given = {name for name, _ in headers}
            return start_response(status, [*headers, *(h for h in FIXED if h[0] not in given)], *error)

        return inner(environ, start)

    return application
