"""Pages for people and probes: the bench page, enrolment, the documentation, problems, health."""

import re

from flask import Blueprint, Response, current_app, redirect, render_template, request, send_from_directory

from service_api import __version__
from service_api.directory import tokens
from service_api.domain import rights
from service_api.domain.entries.registry import TYPES
from service_api.domain.refusals import NotFound
from service_api.http.auth import COOKIE, SECURE_COOKIE
from service_api.http.contract import contract, give_json
from service_api.http.problems import PROBLEMS
from service_api.settings import travelling

bp = Blueprint("pages", __name__, template_folder="templates")
PAGE_POLICY = "default-src 'self'; style-src 'self'; img-src 'self'; frame-ancestors 'none'; base-uri 'none'"
BENCH_POLICY = (
    "default-src 'self'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; object-src 'none';"
    " base-uri 'none'; form-action 'self'; frame-ancestors 'none'; require-trusted-types-for 'script'"
)
COOKIE_DAYS = 400
PORT = re.compile(r":[0-9]+$")
LOOPBACK = re.compile(r"127(\.[0-9]{1,3}){3}")


@bp.get("/")
@contract(public=True, gives="text/html")
def front() -> Response:
    """The way in: to the bench page and the documentation."""
    return _page("front.html")


@bp.get("/bench/")
@contract(public=True, gives="text/html")
def bench() -> Response:
    """The bench page; over plain http from another machine, why it wants https."""
    if not request.is_secure and not _is_here(request.host):
        return _page("https.html", host=request.host)
    return _bench("index.html")


def _is_here(host: str) -> bool:
    """What a browser takes for secure without https (W3C Secure Contexts, 3.1)."""
    name = PORT.sub("", host)
    return name in ("localhost", "[::1]") or name.endswith(".localhost") or LOOPBACK.fullmatch(name) is not None


@bp.get("/bench/<path:name>")
@contract(public=True, gives="application/octet-stream")
def bench_file(name: str) -> Response:
    """A file of the bench page."""
    if name.startswith(("tests/", "node_modules/")):
        raise NotFound("no such file of the bench page")
    return _bench(name)


def _bench(name: str) -> Response:
    response = send_from_directory(travelling("clients") / "bench", name)
    response.headers["Content-Security-Policy"] = BENCH_POLICY
    response.headers["Cache-Control"] = "no-cache"
    return response


@bp.get("/bench/enrol/<code>")
@contract(public=True, gives="text/html")
def enrol_page(code: str) -> Response:
    """Ask before a one-time link is used up: a preview that fetches the address must not spend it."""
    return _page("enrol.html", code=code)


@bp.post("/bench/enrol/<code>")
@contract(public=True, gives="text/html", status=(303,))
def enrol(code: str) -> Response:
    """Redeem a one-time link: this device's cookie is set, and the bench page opens."""
    store = current_app.extensions["store"]
    with store.writing.begin() as connection:
        token = tokens.redeem(connection, code, store.clock())
    if token is None:
        return _page("enrol.html", code=None, status=410)
    response = redirect("/bench/", 303)
    response.set_cookie(
        SECURE_COOKIE if request.is_secure else COOKIE,
        token,
        max_age=COOKIE_DAYS * 86400,
        httponly=True,
        samesite="Strict",
        secure=request.is_secure,
        path="/",
    )
    return response  # type: ignore[return-value]


@bp.get("/v1/openapi.json")
@contract(public=True, gives="openapi")
def openapi() -> Response:
    """This API as an OpenAPI 3.1 document."""
    from service_api.http.openapi import document

    return give_json(document(current_app))


@bp.get("/docs")
@contract(public=True, gives="text/html")
def docs() -> Response:
    """The documentation of the API, made by the service itself; it needs nothing from elsewhere."""
    from service_api.domain.entry import Envelope
    from service_api.http.openapi import document, forms, members
    from service_api.paper.rows import COLUMNS

    described = {t.name: members(t.body) for t in TYPES.values()}
    return _page(
        "docs.html",
        api=document(current_app),
        types=TYPES,
        members=described,
        envelope=members(Envelope),
        forms=forms(),
        columns=COLUMNS,
        problems=PROBLEMS,
        rights=rights,
        sends={role: rights.sends(role, TYPES) for role in rights.ROLES},
    )


@bp.get("/problems/<slug>")
@contract(public=True, gives="text/html")
def problem(slug: str) -> Response:
    """What a problem means and what to do about it."""
    if slug not in PROBLEMS:
        raise NotFound("no such problem")
    return _page("problem.html", slug=slug, kind=PROBLEMS[slug])


@bp.get("/static/page.css")
@contract(public=True, gives="text/css")
def style() -> Response:
    """The style of these pages."""
    return Response(render_template("page.css"), content_type="text/css; charset=utf-8")


def _page(name: str, status: int = 200, **values: object) -> Response:
    response = Response(
        render_template(name, version=__version__, **values), status, content_type="text/html; charset=utf-8"
    )
    response.headers["Content-Security-Policy"] = PAGE_POLICY
    return response


@bp.get("/healthz")
@contract(public=True, gives="health")
def health() -> Response:
    """The process answers."""
    return give_json({"status": "up", "version": __version__})


@bp.get("/readyz")
@contract(public=True, gives="health", status=(200, 503))
def ready() -> Response:
    """The store can be read and its tables are this code's; `writing` says when the clock is in doubt."""
    store = current_app.extensions["store"]
    try:
        current = store.is_current()
    except Exception as error:  # whatever is wrong, the answer is that it is not ready
        return give_json({"status": "not ready", "why": type(error).__name__}, 503)
    if not current:
        return give_json({"status": "not ready", "why": "the store's tables are another revision's"}, 503)
    doubt = store.clock_doubt()
    return give_json({"status": "ready", "version": __version__} | ({"writing": f"stopped: {doubt}"} if doubt else {}))
