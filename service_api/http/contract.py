"""What a route takes, gives and refuses, said once: the OpenAPI document is read off it."""

import json
import re
from collections.abc import Callable
from datetime import date
from typing import Any, TypeVar, cast
from urllib.parse import urlencode

from flask import Response, current_app, g, request

from service_api.answering.answers import Answers
from service_api.answering.asking import NOW, Answer, When, answered, when_of
from service_api.directory.tokens import Token
from service_api.domain.records import record
from service_api.domain.refusals import Malformed, TooLarge, WrongMediaType
from service_api.wire.canonical import parse

F = TypeVar("F", bound=Callable[..., Any])
JSON = "application/json"
MOST_ROWS = 500
SMALL = 64 * 1024

TIMES = ("true_at", "known_at", "known_index")
PAGING = ("limit", "cursor")


@record
class Contract:
    """What a route is like.

    takes, gives : a dataclass, a JSON Schema, the name of a shape, or (gives) a media type or a dataclass as
        `module:Name`, where its module is imported only to answer
    refuses : slugs beside the general ones
    public_log : the setting from which on anybody may ask, without a token
    """

    takes: Any = None
    gives: Any = None
    status: tuple[int, ...] = (200,)
    refuses: tuple[str, ...] = ()
    query: tuple[str, ...] = ()
    public: bool = False
    public_log: str = ""


def contract(**said: Any) -> Callable[[F], F]:
    def mark(view: F) -> F:
        view.__contract__ = Contract(**said)  # type: ignore[attr-defined]
        return view

    return mark


def when() -> When:
    """The moment and the knowledge that the query asks for."""
    args = request.args
    return when_of(*(args.get(name) for name in TIMES)) if args else NOW


def path_of(rule: str) -> str:
    """The path as the documentation writes it: `/v1/units/{unit}`."""
    return re.sub(r"<(?:\w+:)?(\w+)>", lambda m: "{" + m[1].rstrip("_") + "}", rule)


def answers() -> Answers:
    """Answers as the caller may see them: a customer's are of their own units."""
    token = caller()
    found: Answers = current_app.extensions["store"].answers(token.book)
    if token.role == "customer":
        from service_api.customers import CustomerAnswers

        return cast(Answers, CustomerAnswers(found, token.party or ""))
    return found


def caller() -> Token:
    token: Token = g.token
    return token


def whole(name: str, default: int, low: int, high: int) -> int:
    """A whole number from the query."""
    text = request.args.get(name)
    if text is None:
        return default
    if not text.isascii() or not text.isdecimal() or len(text) > 16 or not low <= int(text) <= high:
        raise Malformed.at(f"?{name}", "bad-query", f"a whole number from {low} to {high}")
    return int(text)


def day_of(name: str) -> date | None:
    """A local day of the book from the query. Raises Malformed."""
    text = request.args.get(name)
    if text is None:
        return None
    try:
        day = date.fromisoformat(text)
        if day.isoformat() != text:  # the basic form and week dates
            raise ValueError(text)
    except ValueError:
        raise Malformed.at(f"?{name}", "bad-query", "a date is YYYY-MM-DD") from None
    return day


def known_query(*names: str, several: tuple[str, ...] = ()) -> None:
    """Refuse a query member that this call does not have: a slip would be answered as if it had not been made.

    several : those that may be given more than once
    """
    for name in request.args:
        if name not in names:
            raise Malformed.at(f"?{name}", "bad-query", f"this call takes {', '.join(names) or 'no query'}")
        if len(request.args.getlist(name)) > 1 and name not in several:
            raise Malformed.at(f"?{name}", "bad-query", "it is given twice, and the answer would use one of them")


class Complete(Response):
    """A response whose body is at hand and whose headers stand as they are; only its length is added on the way out.

    What the framework works out for any response, above all a `Location`, is a tenth of an append.
    """

    def get_wsgi_headers(self, environ: Any) -> Any:
        self.headers["Content-Length"] = str(self.calculate_content_length())
        return self.headers


def unchanged(etag: str) -> Response | None:
    """304 when the caller has it already (RFC 9110, 13.1.2). etag : a strong one, in its quotes"""
    if request.if_none_match.contains_weak(etag.strip('"')):
        return Response(status=304, headers={"ETag": etag})
    return None


def give(answer: Answer) -> Response:
    """The answer, or 304 when the caller has it already."""
    if (same := unchanged(answer.etag)) is not None:
        return same
    response = Complete(answer.text, 200, content_type=JSON)
    response.headers["ETag"] = answer.etag
    response.headers["Cache-Control"] = "no-cache"
    return response


def small_body() -> Any:
    """The JSON value of a body that holds a few members only. Raises WrongMediaType, TooLarge, BadJson."""
    if request.mimetype != JSON:
        raise WrongMediaType(f"{request.mimetype or 'no media type'} is not {JSON}")
    body = request.stream.read(SMALL + 1)
    if len(body) > SMALL:
        raise TooLarge(f"this body has at most {SMALL} bytes")
    return parse(body)


def give_list(value: Any) -> Response:
    """A list, with its entity tag."""
    return give(answered(value))


def give_page(value: dict[str, Any], more: str | int | None) -> Response:
    """A page of a list, with its entity tag. more : the cursor of the next page, null on the last"""
    return linked(give_list(value | {"next": more}), more)


def linked(response: Response, more: str | int | None) -> Response:
    """The response with the address of the next page, where there is one: the same query from another cursor."""
    if more is not None:
        query = [(k, v) for k, v in request.args.items(multi=True) if k != "cursor"]
        response.headers["Link"] = f'<{request.path}?{urlencode([*query, ("cursor", more)])}>; rel="next"'
    return response


def give_json(value: Any, status: int = 200) -> Response:
    return Response(json.dumps(value, separators=(",", ":"), ensure_ascii=False), status, content_type=JSON)
