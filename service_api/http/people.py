"""People and parties: the directory beside the log."""

from datetime import date
from typing import Any

from flask import Blueprint, Response, current_app

from service_api.directory import people
from service_api.domain.refusals import Fault, IdReused, Malformed, NotFound
from service_api.http.contract import caller, contract, give_json, give_list, known_query, small_body

bp = Blueprint("people", __name__, url_prefix="/v1")
KEEPERS = ("lead", "manager", "admin")
LONGEST_NAME = 200


def _body(required: dict[str, Any], optional: tuple[str, ...] = ()) -> dict[str, str]:
    """The body's members, each a text; `required` maps a member to its check."""
    body = small_body()
    if not isinstance(body, dict):
        raise Malformed.at("", "wrong-form", "an object is expected")
    faults = [Fault(f"/{k}", "extra-member", "no such member here") for k in body if k not in (*required, *optional)]
    for name, fits in required.items():
        if name not in body:
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


def _name(value: str) -> tuple[str, str] | None:
    from service_api.wire.derive import UNWRITABLE

    if not value.strip() or len(value) > LONGEST_NAME or UNWRITABLE.search(value):
        return "wrong-form", f"a name is 1 to {LONGEST_NAME} characters"
    return None


def _role(value: str) -> tuple[str, str] | None:
    return None if value in people.ROLES else ("unknown-word", f"one of: {', '.join(people.ROLES)}")


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
@contract(takes="person", gives="person", status=(201, 200), refuses=("malformed", "id-reused"), writers=KEEPERS)
def add_person() -> Response:
    """Add a person; the same again is 200, the id with another name or role 409."""
    known_query()
    body = _body({"id": _ident, "name": _name, "role": _role})
    store = current_app.extensions["store"]
    try:
        with store.writing.begin() as connection:
            done = people.add_person(connection, caller().book, body["id"], body["name"], body["role"])
    except people.Taken as error:
        raise IdReused(str(error)) from None
    return give_json({k: body[k] for k in ("id", "name", "role")}, 201 if done == "added" else 200)


@bp.post("/people/<ident>/roles")
@contract(takes="role", gives="role", status=(201,), refuses=("malformed", "not-found"), writers=KEEPERS)
def give_role(ident: str) -> Response:
    """From a day on the person has another role."""
    known_query()
    body = _body({"role": _role, "from_on": _day})
    store = current_app.extensions["store"]
    try:
        with store.writing.begin() as connection:
            day = date.fromisoformat(body["from_on"])
            people.give_role(connection, caller().book, ident, body["role"], day)
    except LookupError as error:
        raise NotFound(str(error)) from None
    return give_json({"person": ident, "role": body["role"], "from_on": body["from_on"]}, 201)


@bp.get("/parties")
@contract(gives="parties")
def list_parties() -> Response:
    """Owners, customers, suppliers: ids and names."""
    known_query()
    with current_app.extensions["store"].reading.begin() as connection:
        found = people.parties(connection, caller().book)
    return give_list({"parties": [{"id": p.id, "name": p.name} for p in found]})


@bp.post("/parties")
@contract(takes="party", gives="party", status=(201, 200), refuses=("malformed", "id-reused"), writers=KEEPERS)
def add_party() -> Response:
    """Add a party; the same again is 200, the id with another name 409."""
    known_query()
    body = _body({"id": _ident, "name": _name})
    store = current_app.extensions["store"]
    try:
        with store.writing.begin() as connection:
            done = people.add_party(connection, caller().book, body["id"], body["name"])
    except people.Taken as error:
        raise IdReused(str(error)) from None
    return give_json({k: body[k] for k in ("id", "name")}, 201 if done == "added" else 200)
