"""Problem documents (RFC 9457): one table gives each slug its status, its title and what to do about it."""

import json
import logging
from typing import Any, NamedTuple

from flask import Response, request
from sqlalchemy.exc import DBAPIError

from service_api.domain.refusals import Malformed, Refusal, UnknownUnit

log = logging.getLogger("fettlebook")


class Kind(NamedTuple):
    status: int
    title: str
    do: str


PROBLEMS: dict[str, Kind] = {
    "malformed": Kind(
        422, "Several faults", "Mend what each pointer names and send the entry again under the same id."
    ),
    "unknown-type": Kind(422, "Unknown entry type", "Use one of the types listed in the API's documentation."),
    "unknown-version": Kind(422, "Unknown version of the type", "Send the version that the documentation states."),
    "missing-member": Kind(422, "A member is missing", "Add the member that the pointer names."),
    "extra-member": Kind(422, "A member too many", "Leave out the member that the pointer names."),
    "wrong-form": Kind(422, "Wrong form", "Write the member in the form that the detail states."),
    "unknown-word": Kind(422, "Unknown word", "Use one of the words that the detail lists."),
    "wrong-subject": Kind(422, "Wrong subject", "Put the entry on the kind of subject that its type stands on."),
    "bad-id": Kind(422, "No entry id", "Make a lower-case dashed UUID, of version 7 by preference."),
    "bad-decimal": Kind(422, "No decimal", 'Send the decimal as text with the digits that were read, such as "0.30".'),
    "unknown-uom": Kind(422, "Unknown unit of measure", "Use the UCUM code of the unit of measure."),
    "wrong-dimension": Kind(422, "Unit of measure of another kind", "Use a unit of measure of the same dimension."),
    "bad-moment": Kind(422, "No moment", "Write the moment as in RFC 3339: 2024-03-01T08:05:00+01:00."),
    "no-offset": Kind(422, "A moment without offset", "Add the offset, or Z for UTC."),
    "too-far-ahead": Kind(
        422, "In the future", "Set the device's clock right, or state its known error in device.clock_offset_ms."
    ),
    "no-such-date": Kind(422, "No such date", "Look at the calendar and send the date that was meant."),
    "unknown-unit": Kind(
        422, "Unknown unit", "Look at the near misses; register the unit first, as `unidentified` if need be."
    ),
    "unknown-person": Kind(422, "Unknown person", "Add the person to the directory first."),
    "unknown-entry": Kind(422, "Unknown entry", "Send the entry that is meant first, or in the same batch before."),
    "computed-type": Kind(422, "A type that the service writes", "Ask for the decision by its own call."),
    "too-long": Kind(422, "Too long", "Send long lists and papers as attachments, named by their digest."),
    "second-is-first": Kind(422, "Second person is the first", "Another person has to be the second."),
    "already-registered": Kind(422, "Registered already", "Use the page that is there; correct it if it is wrong."),
    "bad-tag": Kind(422, "Not a right tag", "Scan or type the label again."),
    "bad-query": Kind(422, "A query that means nothing", "Mend the query member that the pointer names."),
    "empty-batch": Kind(422, "Nothing in the batch", "Send at least one entry."),
    "batch-refused": Kind(422, "The whole batch was refused", "Mend the refused entries and send all of them again."),
    "bad-json": Kind(400, "No JSON", "Send well-formed JSON; a name may stand once in an object."),
    "no-token": Kind(401, "No token", "Send `Authorization: Bearer TOKEN` with a token that is still good."),
    "not-allowed": Kind(403, "Not allowed", "Ask somebody whose role may do this."),
    "not-found": Kind(404, "Not found", "Look at the address again."),
    "wrong-method": Kind(405, "Wrong method", "Use one of the methods in the Allow header."),
    "id-reused": Kind(409, "Id used before", "Make a new id for a new entry; send the old one exactly as it was."),
    "not-releasable": Kind(
        409, "The unit may not leave", "Put right what each block names, or have it conceded, and sign again."
    ),
    "moved-on": Kind(
        409, "The book has moved on", "Read the gate again, and sign with the `seen_index` that it answers in `as_of`."
    ),
    "too-large": Kind(413, "Too large", "Send at most 5 MiB and 5,000 entries at a time, or stream NDJSON."),
    "wrong-media-type": Kind(415, "Wrong media type", "Send application/json or application/x-ndjson."),
    "needs-extra": Kind(
        501, "Numerical libraries are missing", "Install them: pip install 'fettlebook[numbers]'; all else is answered."
    ),
    "clock-doubt": Kind(
        503,
        "The service's clock is in doubt",
        "Keep the entries and send them again later. Whoever runs the service sets its clock right and says"
        " `fettlebook clock confirm`; reading goes on meanwhile.",
    ),
    "busy": Kind(503, "Busy", "Send the same again after the seconds in Retry-After."),
    "outcome-unknown": Kind(
        503, "Outcome unknown", "Send the same entries under the same ids again: what was kept is answered as kept."
    ),
    "disk-full": Kind(
        507, "The disk is full", "Keep the entries and send them again, under the same ids, when there is space."
    ),
    "internal": Kind(500, "Our fault", "Send the same id again later; tell whoever runs the service the instance."),
}
JSON = "application/problem+json"
RETRY_AFTER = {"clock-doubt": 60}  # seconds; what passes by itself is tried again after 2


def document(refusal: Refusal, status: int | None = None, **more: Any) -> dict[str, Any]:
    """The problem document of a refusal. An unknown unit asked for in the path is 404, named in an entry 422."""
    kind = PROBLEMS[refusal.slug]
    if isinstance(refusal, UnknownUnit):
        status = status or 404
        more = {"near": list(refusal.near)} | more
    found: dict[str, Any] = {
        "type": f"{request.url_root}problems/{refusal.slug}",
        "title": kind.title,
        "status": status or kind.status,
        "detail": refusal.detail,
        "instance": request.path,
    }
    if isinstance(refusal, Malformed):
        found["errors"] = [
            {"pointer": f.pointer, "code": f.code, "detail": f.detail} | ({"near": list(f.near)} if f.near else {})
            for f in refusal.faults
        ]
        near = next((f.near for f in refusal.faults if f.code == "unknown-unit"), None)
        if near is not None:
            found["near"] = list(near)
    return found | refusal.members | more


def respond(refusal: Refusal, status: int | None = None, **more: Any) -> Response:
    found = document(refusal, status, **more)
    response = Response(json.dumps(found), found["status"], content_type=JSON)
    if found["status"] == 401:
        response.headers["WWW-Authenticate"] = "Bearer"
    if found["status"] == 503:
        response.headers["Retry-After"] = str(RETRY_AFTER.get(refusal.slug, 2))
    return response


def of_store(error: DBAPIError) -> Refusal | None:
    """What is said of a store in trouble; None for a slip of ours."""
    from service_api.recording.recorder import refusal_of

    refusal = refusal_of(error)
    if refusal is not None:
        log.error("store: %s", error.orig)
    return refusal
