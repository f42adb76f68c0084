"""Bench devices: enrolled once, revoked at once; and who has been shut out at one."""

from flask import Blueprint, Response, current_app, request
from sqlalchemy import Connection

from service_api.directory import people, sessions, tokens
from service_api.domain.moments import day_in
from service_api.domain.refusals import NotAllowed, NotFound
from service_api.domain.rights import DEVICE_KEEPERS
from service_api.http.contract import TIMES, answers, caller, contract, give, give_json, known_query, when
from service_api.http.people import name_fault, text_members

bp = Blueprint("devices", __name__, url_prefix="/v1")


@bp.post("/devices")
@contract(
    takes="device-name", gives="device-made", status=(201,), refuses=("malformed", "bad-json", "wrong-media-type")
)
def enrol() -> Response:
    """Make a one-time link that enrols a browser as a bench device; it is good for an hour."""
    known_query()
    body = text_members({"name": name_fault})
    store = current_app.extensions["store"]
    with store.writing.begin() as connection:
        made, code, until = tokens.enrol(connection, caller().book, body["name"], store.clock())
    return give_json({"device": made.id, "enrol_url": f"{request.url_root}bench/enrol/{code}", "until": until}, 201)


@bp.get("/devices/<device>")
@contract(gives="device-sent", query=TIMES, refuses=("not-found", "bad-query"))
def sent(device: str) -> Response:
    """The newest slip that a device sent, by the device's own running number, and the numbers that never came."""
    known_query(*TIMES)
    return give(answers().device(device, when()))


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
    """Let a person guess their PIN anew at a device where ten wrong ones shut them out.

    At a bench device a lead does it who is signed in there.
    """
    known_query()
    with current_app.extensions["store"].writing.begin() as connection:
        if caller().role == "bench":
            _lead_at_hand(connection)
        if not sessions.lift(connection, caller().book, device, person):
            raise NotFound("nobody of that name is shut out at a device of that name")
    return give_json({"device": device, "person": person, "lifted": True})


def _lead_at_hand(connection: Connection) -> None:
    """Raises NotAllowed unless somebody is signed in at the device that asks who keeps devices today."""
    store, token = current_app.extensions["store"], caller()
    now = store.clock()
    there = {s.person for s in sessions.sessions(connection, token.book, token.device or "", now)}
    today = day_in(now, store.book(token.book).zone).isoformat()
    roles = people.roles_of(connection, token.book, there)
    if not any(people.role_on(dated, today) in DEVICE_KEEPERS for dated in roles.values()):
        raise NotAllowed("a lead signs in at this device first, or does it with a token of their own")
