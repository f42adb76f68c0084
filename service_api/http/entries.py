"""Entries: one, an array, or NDJSON; recorded, repeated or refused one by one."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Sequence
from functools import cache
from types import ModuleType
from typing import TYPE_CHECKING, Any

from flask import Blueprint, Response, current_app, request
from sqlalchemy.exc import DBAPIError

from service_api.domain.refusals import BadJson, Malformed, NotAllowed, Refusal, TooLarge, WrongMediaType
from service_api.http import problems
from service_api.http.contract import (
    JSON,
    MOST_ROWS,
    Complete,
    answers,
    caller,
    contract,
    give,
    known_query,
    linked,
    whole,
)
from service_api.settings import LARGEST_BODY, MOST_ENTRIES
from service_api.wire.canonical import parse
from service_api.wire.entries import plain_drafts, read_draft

if TYPE_CHECKING:
    from service_api.directory.tokens import Token
    from service_api.permits import Sender
    from service_api.recording.batch import Outcome, Submission
    from service_api.recording.recorder import Recorder

bp = Blueprint("entries", __name__, url_prefix="/v1")
NDJSON = "application/x-ndjson"
CHUNK = 500  # lines a commit, when streaming
LONGEST_LINE = 256 * 1024
MOST_DAYS = 36_500


class BatchRefused(Refusal):
    slug = "batch-refused"


@bp.post("/entries")
@contract(
    takes="entries",
    gives="outcomes",
    status=(201, 200),
    refuses=("malformed", "id-reused", "bad-json", "too-large", "wrong-media-type", "empty-batch", "batch-refused"),
)
def record() -> Response:
    """Record one entry, an array of them, or NDJSON; the same id sent again is answered with the first answer.

    One object is answered by the recorded entry or a problem. An array or NDJSON is answered 200 with one outcome per
    entry, in the order sent; `Prefer: handling=strict` makes it all or nothing. NDJSON with
    `Accept: application/x-ndjson` is answered line by line, its size unlimited.
    """
    known_query()
    if request.mimetype not in ("application/json", NDJSON):
        raise WrongMediaType(f"{request.mimetype or 'no media type'} is neither application/json nor {NDJSON}")
    strict = "handling=strict" in request.headers.get("Prefer", "").replace(" ", "").lower()
    if request.mimetype == NDJSON and NDJSON in request.headers.get("Accept", ""):
        if strict:
            clash = Malformed.at("", "bad-query", "a stream is committed in chunks and cannot be strict")
            return problems.respond(clash, 400)
        return _stream()
    body = _body()
    if request.mimetype == NDJSON:
        return _batch([_line(text) for text in body.split(b"\n") if text.strip()], strict)
    plain = plain_drafts(body)
    if plain:
        return _batch(plain, strict)
    value = parse(body)
    if isinstance(value, list):
        return _batch([_submission(item) for item in value], strict)
    return _single(value)


def _body() -> bytes:
    if (request.content_length or 0) > LARGEST_BODY:
        raise TooLarge(f"the body has {request.content_length} bytes, at most {LARGEST_BODY} at a time")
    body = request.stream.read(LARGEST_BODY + 1)
    if len(body) > LARGEST_BODY:
        raise TooLarge(f"the body has more than {LARGEST_BODY} bytes")
    return body


TRIED = "fettlebook.tried"  # in the WSGI environment: what became of the entry before the framework was asked


def _recorder() -> tuple[Recorder, Sender]:
    return recorder_of(current_app.extensions["store"], caller())


def recorder_of(store: Any, token: Token, recalled: bool = False) -> tuple[Recorder, Sender]:
    """The recorder of the token's book, and the token as a sender of entries.

    recalled : the token was looked up some time ago, and is to be looked at again under the lock
    """
    sender = _permits().Sender(
        token.id,
        vouches=token.role == "admin",
        role=token.role,
        person=token.person,
        party=token.party,
        device=token.device,
        directory=token.directory,
        recalled=token if recalled else None,
    )
    return store.recorder(token.book), sender


@cache
def _permits() -> ModuleType:
    """Imported with the first entry that is sent, and looked up no more."""
    from service_api import permits

    return permits


def _submission(value: Any) -> Submission:
    try:
        return read_draft(value)
    except Refusal as refusal:
        given = value.get("id") if isinstance(value, dict) else None
        refusal.ident = given if isinstance(given, str) else None  # type: ignore[attr-defined]
        return refusal


def _line(text: bytes) -> Submission:
    if len(text) > LONGEST_LINE:
        return BadJson(f"a line of {len(text)} bytes is no entry")
    try:
        return _submission(parse(text))
    except BadJson as refusal:
        return refusal


def _single(value: Any) -> Response:
    outcome = request.environ.get(TRIED)
    if isinstance(outcome, Exception):
        raise outcome
    if outcome is None:
        recorder, sender = _recorder()
        (outcome,) = recorder.record([read_draft(value)], sender)
    if outcome.refusal is not None:
        return problems.respond(outcome.refusal)
    text = outcome.answer or b""
    if outcome.status == "again":
        return Complete(said_again(text), 200, content_type="application/json")
    response = Complete(text, 201, content_type="application/json")
    response.headers["Location"] = f"/v1/entries/{outcome.id}"
    return response


def said_again(text: bytes) -> bytes:
    """The first answer to an entry, as it is given the second time."""
    return text[:-1] + b',"again":true}'


def _batch(submissions: Sequence[Submission], strict: bool) -> Response:
    if not submissions:
        raise Malformed.at("", "empty-batch", "there is no entry in the batch")
    if len(submissions) > MOST_ENTRIES:
        raise TooLarge(f"{len(submissions)} entries, at most {MOST_ENTRIES} at a time")
    recorder, sender = _recorder()
    outcomes = recorder.record(submissions, sender, strict)
    listed = b'{"outcomes":[' + b",".join(map(_outcome, outcomes)) + b"]}"
    if strict and any(o.status == "refused" for o in outcomes):
        refusal = BatchRefused("nothing was recorded: an entry was refused, and the batch is all or nothing")
        problem = problems.document(refusal) | json.loads(listed)
        return Response(json.dumps(problem), 422, content_type=problems.JSON)
    return Response(listed, 200, content_type="application/json")


def _outcome(outcome: Outcome) -> bytes:
    """One outcome as JSON: id, status, and the entry or the problem."""
    if outcome.answer is not None:  # its id is a UUID
        ident = str(outcome.id).encode()
        if outcome.status == "again":
            return b'{"id":"%b","status":200,"again":true,"entry":%b}' % (ident, outcome.answer)
        return b'{"id":"%b","status":201,"entry":%b}' % (ident, outcome.answer)
    ident = json.dumps(outcome.id).encode()
    if outcome.refusal is not None:
        problem = problems.document(outcome.refusal)
        return b'{"id":%b,"status":%d,"problem":%b}' % (ident, problem["status"], json.dumps(problem).encode())
    return b'{"id":%b,"status":424}' % ident


def _stream() -> Response:
    recorder, sender = _recorder()
    book = answers()
    lines = _lines(request.stream)
    document = problems.document  # bound to this request while the stream lasts

    def out() -> Iterator[bytes]:
        count = 0
        try:
            for chunk in _chunks(lines):
                for outcome in recorder.record(chunk, sender):
                    count += 1
                    yield _outcome(outcome) + b"\n"
            yield json.dumps({"count": count, "index": book.size()}).encode() + b"\n"
        except Refusal as refusal:
            yield json.dumps(document(refusal)).encode() + b"\n"
        except DBAPIError as error:  # the lines above were kept; of the chunk under way the problem says what is known
            trouble = problems.of_store(error)
            if trouble is None:
                raise
            yield json.dumps(document(trouble)).encode() + b"\n"

    from flask import stream_with_context

    return Response(stream_with_context(out()), 200, content_type=NDJSON)


def _lines(stream: Any) -> Iterator[Submission]:
    while line := stream.readline(LONGEST_LINE + 1):
        if len(line) > LONGEST_LINE and not line.endswith(b"\n"):
            while (rest := stream.readline(LONGEST_LINE)) and not rest.endswith(b"\n"):
                pass
        if line.strip():
            yield _line(line.strip())


def _chunks(lines: Iterable[Submission]) -> Iterator[list[Submission]]:
    chunk: list[Submission] = []
    for line in lines:
        chunk.append(line)
        if len(chunk) == CHUNK:
            yield chunk
            chunk = []
    if chunk:
        yield chunk


@bp.get("/entries/<ident>")
@contract(gives="entry", refuses=("not-found",))
def read_one(ident: str) -> Response:
    """One recorded entry with its receipt."""
    known_query()
    from service_api.domain.ids import is_entry_id
    from service_api.domain.refusals import NotFound

    if not is_entry_id(ident):
        raise NotFound("no such entry")
    return give(answers().entry(ident))


def _is_subject(text: str) -> bool:
    from service_api.wire.derive import SUBJECT

    return SUBJECT.fullmatch(text) is not None


@bp.get("/entries")
@contract(
    gives="entries-page",
    query=("subject", "job", "late_days", "person", "site", "limit", "cursor"),
    refuses=("bad-query",),
)
def read_many() -> Response:
    """Entries in the order of the book, all of them or those found under a subject or a job.

    With `late_days` those heard of more than so many days after they happened, and `groups` by who typed them where;
    `person` and `site` narrow that.
    """
    known_query("subject", "job", "late_days", "person", "site", "limit", "cursor")
    subject, job = request.args.get("subject"), request.args.get("job")
    if subject is not None and not _is_subject(subject):
        raise Malformed.at("?subject", "bad-query", "a subject is kind:id")
    limit, start = whole("limit", 100, 1, MOST_ROWS), whole("cursor", 0, 0, 2**53)
    more_members: dict[str, Any] = {}
    if "late_days" in request.args:
        texts, more_members, more = _typed_late(start, limit)
    else:
        for name in ("person", "site"):
            if name in request.args:
                raise Malformed.at(f"?{name}", "bad-query", "it narrows `late_days`")
        texts, more = answers().entries(start, limit, subject, job)
    members = json.dumps({"next": more} | more_members, ensure_ascii=False, separators=(",", ":")).encode()
    return linked(Response(b'{"entries":[' + b",".join(texts) + b"]," + members[1:], 200, content_type=JSON), more)


def _typed_late(start: int, limit: int) -> tuple[list[bytes], dict[str, Any], int | None]:
    if caller().role == "customer":
        raise NotAllowed("who typed what when is the house's own")
    for name in ("subject", "job"):
        if name in request.args:
            raise Malformed.at(f"?{name}", "bad-query", "late entries are those of the whole book")
    query = request.args.get
    texts, groups, count, more = answers().late(
        whole("late_days", 0, 1, MOST_DAYS), query("person"), query("site"), start, limit
    )
    return texts, {"count": count, "groups": groups}, more
