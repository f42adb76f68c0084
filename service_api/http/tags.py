"""Tags: what wears one, new ones, and their labels."""

from flask import Blueprint, Response, current_app, request

from service_api.answering.asking import When
from service_api.directory import minted
from service_api.domain import tags
from service_api.domain.refusals import Malformed, NotFound
from service_api.domain.tags import TagAnswer
from service_api.http.contract import (
    TIMES,
    answers,
    caller,
    contract,
    give,
    give_json,
    known_query,
    small_body,
    when,
    whole,
)
from service_api.paper import labels
from service_api.wire.canonical import parse

bp = Blueprint("tags", __name__, url_prefix="/v1")


@bp.get("/tags/<tag>")
@contract(gives=TagAnswer, query=TIMES, refuses=("bad-query",))
def tag(tag: str) -> Response:
    """What wears this tag, since when, and what wore it before."""
    known_query(*TIMES)
    return give(answers().tag(tag, when()))


@bp.post("/tags")
@contract(
    takes={"type": "object", "required": ["count"], "properties": {"count": {"type": "integer", "minimum": 1}}},
    gives={"type": "object", "properties": {"tags": {"type": "array", "items": {"type": "string"}}}},
    status=(201,),
    refuses=("malformed", "bad-json", "wrong-media-type"),
)
def mint() -> Response:
    """Mint tags: made once, attached to units later."""
    known_query()
    body = small_body()
    count = body.get("count") if isinstance(body, dict) else None
    if not isinstance(count, int) or isinstance(count, bool) or not 1 <= count <= minted.MOST or len(body) > 1:
        raise Malformed.at("/count", "wrong-form", f"a body of one member, count, from 1 to {minted.MOST}")
    store = current_app.extensions["store"]
    with store.writing.begin() as connection:
        made = minted.mint(connection, caller().book, count, store.clock())
    return give_json({"tags": made}, 201)


@bp.get("/tags/<tag>/label.svg")
@contract(gives="image/svg+xml", refuses=("not-found", "bad-tag"))
def label_svg(tag: str) -> Response:
    """The label of a tag: Code 128 and QR of the same text, with the unit's number in words."""
    known_query()
    return _image(labels.svg(*_printable(tag)), "image/svg+xml")


@bp.get("/tags/<tag>/label.png")
@contract(gives="image/png", query=("dots",), refuses=("not-found", "bad-tag", "bad-query"))
def label_png(tag: str) -> Response:
    """The same as pixels; `dots` is how many make one module (4 without it)."""
    known_query("dots")
    dots = whole("dots", 4, 1, 20)
    return _image(labels.png(*_printable(tag), dots), "image/png")


def _image(content: bytes, media_type: str) -> Response:
    response = Response(content, 200, content_type=media_type)
    response.set_etag(labels.digest(content))
    response.headers["Cache-Control"] = "no-cache"
    response.make_conditional(request)
    return response


def _printable(text: str) -> tuple[str, str | None]:
    """The tag and the unit that wears it. Only a tag that is attached, was attached or was minted has a label."""
    tag = tags.normal(text)
    if tags.check(tag) == "invalid":
        raise Malformed.at("", "bad-tag", "the check character is wrong: read the label again")
    found = parse(answers().tag(tag, When()).text)
    if found["status"] == "unknown":
        with current_app.extensions["store"].reading.begin() as connection:
            if not minted.is_minted(connection, caller().book, tag):
                raise NotFound(f"no tag {tag} was minted or attached here")
    if not tag.isascii():
        raise Malformed.at("", "bad-tag", "Code 128 holds ASCII only")
    return tag, found["unit"]
