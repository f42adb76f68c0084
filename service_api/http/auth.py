"""Who is calling: a bearer token, or the HttpOnly cookie of an enrolled bench device."""

from flask import Response, current_app, g, request

from service_api.directory import tokens
from service_api.domain.refusals import NotAllowed, NoToken
from service_api.http import problems
from service_api.http.contract import Contract

COOKIE = "fettlebook_bench"
HEADER = "X-Fettlebook"  # a page of another origin cannot send it, so a cookie alone writes nothing
SAFE = ("GET", "HEAD", "OPTIONS")
NO_READING_YET = ("customer",)  # a customer's own view comes with the read matrix; until then the token opens nothing
READ_ONLY = ("auditor", "customer")


def open_door() -> Response | None:
    """Let the request in, or answer 401 or 403. Public routes say so in their contract."""
    if request.endpoint is None:
        # an unknown address says no more to a stranger than a known one
        return None if _token() or not request.path.startswith("/v1/") else problems.respond(_no_token())
    view = current_app.view_functions[request.endpoint]
    said: Contract | None = getattr(view, "__contract__", None)
    if said is None or said.public:
        return None
    token = _token()
    if token is None:
        return problems.respond(_no_token())
    g.token = token
    if token.role in NO_READING_YET:
        return problems.respond(NotAllowed("a customer's token opens nothing yet"))
    if request.method not in SAFE:
        if token.role in READ_ONLY:
            return problems.respond(NotAllowed(f"a token of the role {token.role} reads only"))
        if g.by_cookie and HEADER not in request.headers:
            return problems.respond(NotAllowed(f"a write by cookie carries the header {HEADER}"))
        if said.writers is not None and token.role not in said.writers:
            return problems.respond(NotAllowed(f"this is for the roles {', '.join(said.writers)}"))
        if request.method != "DELETE":  # a door can be shut whatever the clock says
            current_app.extensions["store"].stamp(token.book)
    return None


def _no_token() -> NoToken:
    return NoToken("no token, or one that is unknown, expired or revoked")


def _token() -> tokens.Token | None:
    scheme, _, text = request.headers.get("Authorization", "").partition(" ")
    g.by_cookie = False
    if scheme.lower() != "bearer":
        text, g.by_cookie = request.cookies.get(COOKIE, ""), True
    if not text:
        return None
    store = current_app.extensions["store"]
    return tokens.find(store.quickly, text.strip(), store.clock())
