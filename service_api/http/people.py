"""People and parties: the directory beside the log."""

from datetime import date
from typing import Any

from flask import Blueprint, Response, current_app, request

from service_api.directory import badges, people
from service_api.domain.refusals import Fault, IdReused, Malformed, NotAllowed, NotFound
from service_api.domain.rights import GIVES, ROLES
from service_api.http.contract import (
    PAGING,
    TIMES,
    answers,
    caller,
    contract,
    day_of,
    give,
    give_json,
    give_list,
    known_query,
    small_body,
    when,
    whole,
)

bp = Blueprint("people", __name__, url_prefix="/v1")
LONGEST_NAME = 200


def text_members(required: dict[str, Any], optional: dict[str, Any] | None = None) -> dict[str, str]:
    """The body's members, each a text; a member is mapped to its check."""
    body = small_body()
    if not isinstance(body, dict):
        raise Malformed.at("", "wrong-form", "an object is expected")
    every = required | (optional or {})
    faults = [Fault(f"/{k}", "extra-member", "no such member here") for k in body if k not in every]
    for name, fits in every.items():
        if name not in body:
            if name in required:
                faults.append(Fault(f"/{name}", "missing-member", "this member must be given"))
        elif not isinstance(body[name], str):
            faults.append(Fault(f"/{name}", "wrong-form", "a text is expected"))
        elif (fault := fits(body[name])) is not None:
            faults.append(Fault(f"/{name}", *fault))
    if faults:
        raise Malformed(faults)
    return body


def _ident(value: str) -> tuple[str, str] | None:
    from service_api.wire.derive import IDENT

    return None if IDENT.fullmatch(value) else ("wrong-form", "an id is 1 to 64 of A-Z a-z 0-9 . _ -")


def name_fault(value: str) -> tuple[str, str] | None:
    from service_api.wire.derive import UNWRITABLE

    if not value.strip() or len(value) > LONGEST_NAME or UNWRITABLE.search(value):
        return "wrong-form", f"a name is 1 to {LONGEST_NAME} characters"
    return None


def badge_fault(value: str) -> tuple[str, str] | None:
    return (
        None
        if badges.FORM.fullmatch(value)
        else ("wrong-form", "a badge is 4 to 64 printable characters, none a space")
    )


def pin_fault(value: str) -> tuple[str, str] | None:
    from service_api.directory.pins import FORM

    return None if FORM.fullmatch(value) else ("wrong-form", "a PIN is 4 to 12 digits")


def _role(value: str) -> tuple[str, str] | None:
    return None if value in ROLES else ("unknown-word", f"one of: {', '.join(ROLES)}")


def _day(value: str) -> tuple[str, str] | None:
    from marshmallow import ValidationError

    from service_api.domain.forms import Form
    from service_api.wire.derive import TextField

    try:
        TextField(Form("date")).deserialize(value)
    except ValidationError as error:
        code, _, detail = str(error.messages[0]).partition(": ")
        return code, detail
    return None


@bp.get("/people")
@contract(gives="people")
def list_people() -> Response:
    """Everybody in the directory, with the role that they were given last."""
    known_query()
    with current_app.extensions["store"].reading.begin() as connection:
        found = people.people(connection, caller().book)
    rows = [{"id": p.id, "name": p.name, "role": p.role, "retired": p.retired} for p in found]
    return give_list({"people": rows})


@bp.post("/people")
@contract(takes="person-new", gives="person", status=(201, 200), refuses=("malformed", "id-reused", "wrong-media-type"))
def add_person() -> Response:
    """Add a person; the same again is 200, the id with another name, role, badge or PIN 409.

    Badge and PIN are never answered. Nobody gives a role that they may not give.
    """
    known_query()
    body = text_members({"id": _ident, "name": name_fault, "role": _role}, {"badge": badge_fault, "pin": pin_fault})
    _gives(body["role"])
    ident = body.pop("id")
    store = current_app.extensions["store"]
    try:
        with store.writing.begin() as connection:
            done = people.add_person(connection, caller().book, ident, **body)
    except people.Taken as error:
        raise IdReused(str(error)) from None
    return give_json({"id": ident, "name": body["name"], "role": body["role"]}, 201 if done == "added" else 200)


def _gives(role: str) -> None:
    if role not in GIVES.get(caller().role, ()):
        raise NotAllowed(f"a token of the role {caller().role} does not give the role {role}")


@bp.post("/people/<ident>/roles")
@contract(takes="role", gives="role", status=(201,), refuses=("malformed", "not-found", "wrong-media-type"))
def give_role(ident: str) -> Response:
    """From a day on the person has another role."""
    known_query()
    body = text_members({"role": _role, "from_on": _day})
    _gives(body["role"])
    store = current_app.extensions["store"]
    try:
        with store.writing.begin() as connection:
            day = date.fromisoformat(body["from_on"])
            people.give_role(connection, caller().book, ident, body["role"], day)
    except LookupError as error:
        raise NotFound(str(error)) from None
    return give_json({"person": ident, "role": body["role"], "from_on": body["from_on"]}, 201)


@bp.get("/people/<ident>/badge.svg")
@contract(gives="image/svg+xml", refuses=("not-found",))
def badge(ident: str) -> Response:
    """A person's badge to print: Code 128 and QR of the same text, with their name."""
    from service_api.paper import labels

    known_query()
    with current_app.extensions["store"].reading.begin() as connection:
        found = people.find_person(connection, caller().book, ident)
    if found is None or found.badge is None or found.retired:
        raise NotFound("nobody of that name wears a badge")
    response = Response(labels.badge_svg(found.badge, found.name), content_type="image/svg+xml")
    response.headers["Cache-Control"] = "no-store"
    return response


@bp.get("/people/<person>/work")
@contract(
    gives="service_api.domain.competence:Work",
    query=("class", "task", "from", "until", *TIMES, *PAGING),
    refuses=("not-found", "bad-query"),
)
def work(person: str) -> Response:
    """What a person did and signed on units, and for each whether they were authorised that day, and why not.

    `class`, `task` and the days `from` and `until` choose; corrected and withdrawn entries count as they do now.
    """
    from service_api.competences import Chosen
    from service_api.competences import work as work_of

    known_query("class", "task", "from", "until", *TIMES, *PAGING)
    chosen = Chosen(request.args.get("class"), request.args.get("task"), day_of("from"), day_of("until"))
    return give(work_of(answers(), person, chosen, when(), whole("cursor", 0, 0, 2**53), whole("limit", 100, 1, 500)))


@bp.get("/authorisations/audit")
@contract(gives="service_api.domain.signatures:SignatureAudit", query=("from", "until", *TIMES), refuses=("bad-query",))
def audit_signatures() -> Response:
    """Everybody who signed a release in these days, and who of them was not authorised that day, and why not.

    `from` and `until` are local days, both inside: from the beginning and until today, where they are left out.
    """
    known_query("from", "until", *TIMES)
    since, until = day_of("from"), day_of("until")
    if since is not None and until is not None and until < since:
        raise Malformed.at("?until", "bad-query", f"a day from {since.isoformat()} on")
    return give_list(answers().fleet.signatures(since, until, when()))


@bp.get("/parties")
@contract(gives="parties")
def list_parties() -> Response:
    """Owners, customers, suppliers: ids and names."""
    known_query()
    with current_app.extensions["store"].reading.begin() as connection:
        found = people.parties(connection, caller().book)
    return give_list({"parties": [{"id": p.id, "name": p.name} for p in found]})


@bp.post("/parties")
@contract(takes="party", gives="party", status=(201, 200), refuses=("malformed", "id-reused", "wrong-media-type"))
def add_party() -> Response:
    """Add a party; the same again is 200, the id with another name 409."""
    known_query()
    body = text_members({"id": _ident, "name": name_fault})
    store = current_app.extensions["store"]
    try:
        with store.writing.begin() as connection:
            done = people.add_party(connection, caller().book, body["id"], body["name"])
    except people.Taken as error:
        raise IdReused(str(error)) from None
    return give_json({k: body[k] for k in ("id", "name")}, 201 if done == "added" else 200)
