"""Who is calling: a bearer token, or the HttpOnly cookie of an enrolled bench device; and which calls are theirs."""

from datetime import datetime
from typing import Any

from flask import Flask, Response, current_app, g, request

from service_api.directory import tokens
from service_api.domain.moments import in_utc
from service_api.domain.refusals import Malformed, NotAllowed, NotFound, NoToken, UnknownUnit
from service_api.domain.rights import CALLS
from service_api.http import problems
from service_api.http.contract import Contract, path_of
from service_api.settings import PUBLIC_LOG

COOKIE = "fettlebook_bench"
SECURE_COOKIE = f"__Host-{COOKIE}"  # over https: no other host and no plain page can set it
HEADER = "X-Fettlebook"  # a page of another origin cannot send it, so a cookie alone writes nothing
SAFE = ("GET", "HEAD", "OPTIONS")
ANYBODY = "anybody"  # no role that a token can have
Doors = dict[tuple[str, str], frozenset[str]]


def doors(app: Flask) -> Doors:
    """(endpoint, method) -> the roles that may call it. A call without a row in the matrix is nobody's."""
    found: Doors = {}
    for rule in app.url_map.iter_rules():
        said: Contract | None = getattr(app.view_functions[rule.endpoint], "__contract__", None)
        if said is None or said.public:
            continue
        for method in rule.methods or ():
            row = CALLS.get(f"{'GET' if method in SAFE else method} {path_of(rule.rule)}", {})
            found[rule.endpoint, method] = frozenset(row)
    return found


def open_door() -> Response | None:
    """Let the request in, or answer 401 or 403. Public routes say so in their contract.

    Raises NotFound, UnknownUnit, Malformed for a NUL in the address: nothing is called so, and no server store can be
    asked for it.
    """
    if "\0" in request.path:
        unit = (request.view_args or {}).get("unit", "")
        raise UnknownUnit(unit) if "\0" in unit else NotFound("no address holds the character NUL")
    if b"%00" in request.query_string:
        name = next((name for name, value in request.args.items(multi=True) if "\0" in name + value), "")
        raise Malformed.at(f"?{name}", "bad-query", "no text here holds the character NUL")
    if request.endpoint is None:
        # an unknown address says no more to a stranger than a known one
        return None if _token() or not request.path.startswith("/v1/") else problems.respond(_no_token())
    allowed = current_app.extensions["doors"].get((request.endpoint, request.method))
    if allowed is None:
        return None
    token = _token()
    if token is None or token.role not in allowed:
        token = _anybody() or token
    if token is None:
        return problems.respond(_no_token())
    g.token = token
    if token.role == ANYBODY:
        return None
    if request.method not in SAFE and g.by_cookie and HEADER not in request.headers:
        return problems.respond(NotAllowed(f"a write by cookie carries the header {HEADER}"))
    if token.role not in allowed:
        return problems.respond(NotAllowed(f"this is not for the role {token.role}"))
    if not may_enter(token, allowed):
        return problems.respond(NotAllowed("a customer's token names its party, and this one names none"))
    if request.method not in (*SAFE, "DELETE"):  # a door can be shut whatever the clock says
        current_app.extensions["store"].stamp(token.book)
    return None


def _anybody() -> tokens.Token | None:
    """Who may read the log without a token, where the setting opens it; `/v1/log` names a book where there is one only.

    None of any other book, so that a stranger is told of none.
    """
    store = current_app.extensions["store"]
    view: Any = current_app.view_functions[str(request.endpoint)]
    said: Contract = view.__contract__
    if not said.public_log or PUBLIC_LOG.index(said.public_log) > PUBLIC_LOG.index(store.settings.public_log):
        return None
    origin, books = (request.view_args or {}).get("book"), store.books()
    found = [book for book in books if book.origin == origin] if origin else books
    return tokens.Token(id="", book=found[0].number, role=ANYBODY) if len(found) == 1 else None


def _no_token() -> NoToken:
    return NoToken("no token, or one that is unknown, expired or revoked")


def _token() -> tokens.Token | None:
    scheme, _, text = request.headers.get("Authorization", "").partition(" ")
    g.by_cookie = False
    if scheme.lower() != "bearer":
        cookies = request.cookies
        text, g.by_cookie = cookies.get(SECURE_COOKIE) or cookies.get(COOKIE, ""), True
    return find(current_app.extensions["store"], text) if text else None


def may_enter(token: tokens.Token, allowed: frozenset[str]) -> bool:
    return token.role in allowed and not (token.role == "customer" and token.party is None)


def find(store: Any, text: str) -> tokens.Token | None:
    """The live token of this text; that it was used is noted."""
    now = store.clock()
    found = live(store, store.lasting, text, now)
    if found is not None:
        note_use(store, found, now)
    return found


def live(store: Any, ask: tokens.Ask, text: str, now: datetime) -> tokens.Token | None:
    """The token of this text, by what `ask` says; None when that is unknown, expired or revoked."""
    found = tokens.find(ask, text.strip(), now)
    if found is not None and found.expires_at is not None and found.expires_at <= in_utc(store.passed(found.book)):
        return None  # the machine's clock was set back; the token ran out all the same
    return found


def note_use(store: Any, token: tokens.Token, now: datetime) -> None:
    if tokens.is_due(token, now):
        store.uses.note(token, now)
