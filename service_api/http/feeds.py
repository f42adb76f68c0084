"""What others pull: every entry in the order of the book, and what changed about which unit."""

import json
import re
import threading
import time
from collections.abc import Callable, Iterator, Sized
from io import BytesIO
from itertools import chain
from tempfile import TemporaryFile
from typing import IO, Any, TypeVar

from flask import Blueprint, Response, current_app, request
from werkzeug.wsgi import wrap_file

from service_api.domain.context import RULES
from service_api.domain.refusals import Malformed
from service_api.http.contract import JSON, MOST_ROWS, answers, caller, contract, give_json, known_query, whole
from service_api.settings import THREADS

bp = Blueprint("feeds", __name__, url_prefix="/v1")
LONGEST_WAIT = 60  # seconds
LARGE = 4 * 1024 * 1024  # bytes of a page that stay in memory
PAUSE = 0.1  # between two looks while waiting
_seats = threading.Semaphore(THREADS // 4)  # who finds none is answered at once: waiting must not stop the bench
CLOUDEVENTS = "application/cloudevents-batch+json"
CURSOR = re.compile(r"([0-9]{1,15})(?::([A-Za-z0-9._-]{1,64}))?")
Found = TypeVar("Found", bound=Sized)


def _waited(look: Callable[[], tuple[Found, Any]]) -> tuple[Found, Any]:
    """The first look that finds something, or the last one when the caller's `wait` is over."""
    until = time.monotonic() + whole("wait", 0, 0, LONGEST_WAIT)
    found = look()
    if found[0] or time.monotonic() >= until or not _seats.acquire(blocking=False):
        return found
    try:
        while not found[0] and time.monotonic() < until:
            time.sleep(PAUSE)
            found = look()
        return found
    finally:
        _seats.release()


@bp.get("/feed")
@contract(gives="feed", query=("from", "limit", "wait"), refuses=("bad-query",))
def feed() -> Response:
    """Every entry from an index on, and the index to go on from; `wait` seconds for the next when there is none.

    With `Accept: application/cloudevents-batch+json` each entry is a CloudEvent.
    """
    known_query("from", "limit", "wait")
    start, limit = whole("from", 0, 0, 2**53), whole("limit", 100, 1, 1000)
    page, after = _waited(lambda: answers().ahead(start, limit))
    blocks = answers().feed(page)
    if CLOUDEVENTS in request.headers.get("Accept", ""):
        events = [_event(entry) for block in blocks for entry in json.loads(b"[%b]" % block)]
        response = Response(json.dumps(events), content_type=CLOUDEVENTS)
    else:
        response = _from_file(_entries(blocks, after))
    response.headers["Link"] = f'<{request.path}?from={after}&limit={limit}>; rel="next"'
    return response


def _entries(blocks: Iterator[bytes], after: int) -> Iterator[bytes]:
    yield b'{"entries":['
    for n, block in enumerate(blocks):
        yield b"," + block if n else block
    yield b'],"next":%d}' % after


def _from_file(parts: Iterator[bytes]) -> Response:
    """JSON text that the server sends as it reads it from a file; what is large is not in memory as a whole."""
    begun: list[bytes] = []
    length = 0
    for part in parts:
        begun.append(part)
        length += len(part)
        if length > LARGE:
            file: IO[bytes] = TemporaryFile()  # noqa: SIM115  the server closes it
            file.writelines(chain(begun, parts))
            length = file.tell()
            file.seek(0)
            break
    else:
        file = BytesIO(b"".join(begun))
    response = Response(wrap_file(request.environ, file), content_type=JSON, direct_passthrough=True)
    response.content_length = length
    return response


def _event(entry: dict[str, Any]) -> dict[str, Any]:
    """An entry as a CloudEvent (version 1.0): its id and moment of recording, the book as its source."""
    return {
        "specversion": "1.0",
        "id": entry["id"],
        "source": f"/books/{current_app.extensions['store'].book(caller().book).origin}",
        "type": entry["type"],
        "subject": entry["subject"],
        "time": entry["recorded_at"],
        "datacontenttype": "application/json",
        "data": entry,
    }


@bp.get("/changes")
@contract(gives="changes", query=("from", "limit", "wait"), refuses=("bad-query",))
def changes() -> Response:
    """What changed about which unit, in the order of the book, each with the unit's condition in short.

    `from` is inclusive; `next` is what to send as `from`. A new `generation` says: the rules changed, read all again.
    """
    known_query("from", "limit", "wait")
    given = CURSOR.fullmatch(request.args.get("from", "0"))
    if given is None:
        raise Malformed.at("?from", "bad-query", "a cursor as `next` gave it, or 0")
    limit = whole("limit", 100, 1, MOST_ROWS)
    found, after = _waited(lambda: answers().changes(int(given[1]), given[2] or "", limit))
    return give_json({"changes": found, "next": after, "generation": str(RULES)})
