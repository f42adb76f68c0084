"""Attachments: photos and papers under their own digest. The bytes are given back only as a download."""

import re

from flask import Blueprint, Response, current_app, request

from service_api.directory import attachments
from service_api.domain.moments import in_utc
from service_api.domain.refusals import Malformed, NotFound, TooLarge, WrongMediaType
from service_api.http.contract import answers, caller, contract, give_json, known_query

bp = Blueprint("attachments", __name__, url_prefix="/v1")
DIGEST = re.compile(r"[0-9a-f]{64}")


def _checked(digest: str) -> str:
    if not DIGEST.fullmatch(digest):
        raise NotFound("an attachment's address is its SHA-256 in 64 lower-case hex digits")
    return digest


@bp.put("/attachments/<digest>")
@contract(
    takes="bytes",
    gives="attachment",
    status=(201, 200),
    refuses=("wrong-form", "too-large", "wrong-media-type", "not-found"),
)
def put(digest: str) -> Response:
    """Store the bytes of an attachment under their SHA-256; the same again is 200."""
    known_query()
    _checked(digest)
    if request.mimetype not in attachments.MAGIC:
        raise WrongMediaType(f"one of {', '.join(attachments.MAGIC)}")
    content = request.stream.read(attachments.LARGEST + 1)
    if len(content) > attachments.LARGEST:
        raise TooLarge(f"an attachment has at most {attachments.LARGEST} bytes")
    store = current_app.extensions["store"]
    folder = store.attachments / str(caller().book)
    try:
        attachments.write(folder, digest, request.mimetype, content)
        with store.writing.begin() as connection:
            kept, new = attachments.keep(
                connection, caller().book, digest, request.mimetype, len(content), in_utc(store.clock())
            )
    except attachments.Mismatch as error:
        raise Malformed.at("", "wrong-form", str(error)) from None
    body = {"sha256": kept.sha256, "media_type": kept.media_type, "bytes": kept.bytes}
    return give_json(body, 201 if new else 200)


@bp.get("/attachments/<digest>")
@contract(gives="application/octet-stream", refuses=("not-found",))
def get(digest: str) -> Response:
    """The bytes as they came, as a download."""
    known_query()
    store = current_app.extensions["store"]
    shown = answers().shows_attachment(_checked(digest))  # asked first: another's takes no longer than none
    with store.reading.begin() as connection:
        kept = attachments.find(connection, caller().book, digest)
    if kept is None or not shown:
        raise NotFound("no attachment of this digest has arrived")
    try:
        content = (store.attachments / str(caller().book) / digest).read_bytes()
    except FileNotFoundError:
        raise NotFound("its bytes are lost; whoever has them can send them again") from None
    response = Response(content, 200, content_type=kept.media_type)
    response.headers["Content-Disposition"] = f'attachment; filename="{digest[:16]}"'
    response.headers["Content-Security-Policy"] = "sandbox; default-src 'none'"
    response.headers["Cache-Control"] = "private, max-age=31536000, immutable"
    return response
