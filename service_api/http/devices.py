"""Bench devices: enrolled once, revoked at once; and who has been shut out at one."""

from flask import Blueprint, Response, current_app, request

from service_api.directory import sessions, tokens
from service_api.domain.refusals import NotFound
from service_api.http.contract import caller, contract, give_json, known_query
from service_api.http.people import name_fault, text_members

bp = Blueprint("devices", __name__, url_prefix="/v1")


@bp.post("/devices")
@contract(takes="device-name", gives="device-made", status=(201,), refuses=("malformed", "bad-json"))
def enrol() -> Response:
    """Make a one-time link that enrols a browser as a bench device; it is good for an hour."""
    known_query()
    body = text_members({"name": name_fault})
    store = current_app.extensions["store"]
    with store.writing.begin() as connection:
        made, code, until = tokens.enrol(connection, caller().book, body["name"], store.clock())
    return give_json({"device": made.id, "enrol_url": f"{request.url_root}bench/enrol/{code}", "until": until}, 201)


@bp.delete("/devices/<device>")
@contract(gives="device", refuses=("not-found",))
def revoke(device: str) -> Response:
    """Make a device's cookie and its sessions worth nothing from the next request on."""
    known_query()
    store = current_app.extensions["store"]
    with store.writing.begin() as connection:
        if not tokens.revoke_device(connection, caller().book, device, store.clock()):
            raise NotFound("no live device is called so")
    return give_json({"device": device, "revoked": True})


@bp.delete("/devices/<device>/lockouts/<person>")
@contract(gives="lockout", refuses=("not-found",))
def lift(device: str, person: str) -> Response:
    """Let a person guess their PIN anew at a device where ten wrong ones shut them out."""
    known_query()
    with current_app.extensions["store"].writing.begin() as connection:
        if not sessions.lift(connection, caller().book, device, person):
            raise NotFound("nobody of that name is shut out at a device of that name")
    return give_json({"device": device, "person": person, "lifted": True})
