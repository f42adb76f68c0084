"""Releases: the gate to read before signing, the signature, the certificate as issued and as it would read today."""

from dataclasses import replace
from datetime import date
from typing import TYPE_CHECKING

from flask import Blueprint, Response, current_app, request

from service_api.domain.refusals import Fault, Malformed, NotFound, Refusal, UnknownUnit
from service_api.http.contract import (
    JSON,
    TIMES,
    answers,
    caller,
    contract,
    day_of,
    give,
    give_json,
    known_query,
    small_body,
    when,
)
from service_api.http.papers import PDF, certificate_pdf
from service_api.wire.canonical import parse

if TYPE_CHECKING:
    from service_api.domain.gate import Asked
    from service_api.wire.entries import Draft

bp = Blueprint("releases", __name__, url_prefix="/v1")
ASKED = ("job", "kind", "by", "second", "concessions", "hire_from", "hire_until")
KINDS = ("full", "with_concession")


@bp.get("/units/<unit>/gate")
@contract(
    gives="service_api.domain.certificate:GateAnswer", query=(*ASKED, *TIMES), refuses=("unknown-unit", "bad-query")
)
def gate(unit: str) -> Response:
    """What would stop a release, why, and who may put it right; the certificate as it would be, and its digest.

    `true_at` asks for another moment of signing. `concessions` names the concessions that the release would rest on.
    """
    known_query(*ASKED, *TIMES, several=("concessions",))
    asked, moment = _asked(), when()
    day = answers().on_day(moment)
    begin = date.fromisoformat(asked.hire_from) if asked.hire_from else day
    if asked.hire_until is not None and date.fromisoformat(asked.hire_until) < begin:
        raise Malformed.at("?hire_until", "bad-query", f"the hire ends before it begins, on {begin.isoformat()}")
    return give(answers().gate(unit, asked, moment))


@bp.get("/releases/<release>")
@contract(gives="release", query=TIMES, refuses=("not-found", "bad-query"))
def release(release: str) -> Response:
    """A release with its certificate exactly as it was issued, and which number it replaces or is replaced by.

    With `Accept: application/pdf` it is the certificate on paper.
    """
    if request.accept_mimetypes.best_match((JSON, PDF), JSON) == PDF:
        return certificate_pdf(release)
    known_query(*TIMES)
    return give(answers().release(release, when()))


@bp.get("/releases/<release>/today")
@contract(gives="release-today", query=TIMES, refuses=("not-found", "bad-query"))
def today(release: str) -> Response:
    """The certificate as issued, as it would read by what is known now, what differs, and whether it is still good."""
    known_query(*TIMES)
    return give(answers().release_today(release, when()))


ENVELOPE = (
    "id",
    "by",
    "occurred_at",
    "seen_index",
    "job",
    "typed_by",
    "site",
    "bench",
    "client",
    "device",
    "attachments",
)
DATA = ("release", "kind", "job", "concessions", "second", "hire")


@bp.post("/units/<unit>/releases")
@contract(
    takes="release-signed",
    gives="release-recorded",
    status=(201, 200),
    refuses=(
        "unknown-unit",
        "malformed",
        "not-releasable",
        "moved-on",
        "id-reused",
        "bad-json",
        "too-large",
        "wrong-media-type",
    ),
)
def sign(unit: str) -> Response:
    """Let the unit go: the gate is asked and the release recorded under one lock, with the certificate.

    While anything stands against it the answer is 409 `not-releasable` with every block. `seen_index` says which book
    the signer had read (`as_of.index` of the gate): when the gate says something else by now it is 409 `moved-on`. The
    same body sent again is answered with the first answer. An `occurred_at` in the past takes facts up to then.
    """
    known_query()
    draft = _draft(unit, small_body())
    store = current_app.extensions["store"]
    from service_api.http.entries import recorder_of
    from service_api.releasing import Signing

    recorder, sender = recorder_of(store, caller())
    outcome = recorder.decide(draft, sender, Signing(answers()))
    if outcome.refusal is not None or outcome.answer is None:
        raise _flat(outcome.refusal, unit)
    again = outcome.status == "again"
    entry = parse(outcome.answer)
    found = {
        "release": entry["data"]["release"],
        "certificate": parse(answers().release(entry["data"]["release"]).text)["certificate"],
    }
    return give_json(entry | found | ({"again": True} if again else {}), 200 if again else 201)


def _draft(unit: str, body: object) -> "Draft":
    """The entry that this body makes. Raises Malformed, its pointers into the body."""
    from service_api.wire.entries import read_draft

    if not isinstance(body, dict):
        raise Malformed.at("", "wrong-form", "a release is a JSON object")
    faults = [
        Fault(f"/{name}", "extra-member", "a release has no such member")
        for name in body
        if name not in (*ENVELOPE, *DATA)
    ]
    if faults:
        raise Malformed(faults)
    raw = {name: body[name] for name in ENVELOPE if name in body}
    raw |= {"type": "unit.released", "v": 1, "subject": f"unit:{unit}"}
    try:
        draft = read_draft(raw | {"data": {name: body[name] for name in DATA if name in body}})
    except Malformed as error:
        raise _flat(error, unit) from None
    if (body["kind"] == "with_concession") != bool(body.get("concessions")):
        raise Malformed.at("/kind", "wrong-form", "a release that names concessions is `with_concession`, no other")
    return draft


def _flat(refusal: Refusal | None, unit: str) -> Refusal:
    """The refusal of the entry, as of the body that it was made from: no `data` in its pointers."""
    if not isinstance(refusal, Malformed):
        return refusal or NotFound("nothing was recorded")
    unknown = next((f for f in refusal.faults if f.pointer == "/subject"), None)  # the path says the unit
    if unknown is not None:
        return UnknownUnit(unit, unknown.near)
    found = {(f.pointer.removeprefix("/data"), f.code): f for f in refusal.faults}
    return Malformed([replace(f, pointer=pointer) for (pointer, _), f in found.items()])


def _asked() -> "Asked":
    from service_api.domain.gate import Asked  # with the first who asks

    named = (name for text in request.args.getlist("concessions") for name in text.split(","))
    concessions = tuple(_ident("concessions", name) for name in named if name)
    kind = request.args.get("kind", "with_concession" if concessions else "full")
    if kind not in KINDS:
        raise Malformed.at("?kind", "bad-query", f"one of {', '.join(KINDS)}")
    begin, end = day_of("hire_from"), day_of("hire_until")
    return Asked(
        job=_asked_ident("job"),
        kind=kind,
        by=_asked_ident("by"),
        second=_asked_ident("second"),
        concessions=concessions,
        hire_from=begin.isoformat() if begin else None,
        hire_until=end.isoformat() if end else None,
    )


def _asked_ident(name: str) -> str | None:
    given = request.args.get(name)
    return None if given is None else _ident(name, given)


def _ident(name: str, given: str) -> str:
    """What no release could name is no question either. Raises Malformed (`bad-query`)."""
    from service_api.wire.derive import IDENT

    if IDENT.fullmatch(given) is None:
        raise Malformed.at(f"?{name}", "bad-query", "an id is 1 to 64 of A-Z a-z 0-9 . _ -")
    return given
