"""Sessions: who has signed in at the bench device that asks."""

from flask import Blueprint, Response, current_app

from service_api.directory import people, pins, sessions
from service_api.domain.refusals import NotAllowed
from service_api.http.contract import caller, contract, give_json, known_query
from service_api.http.people import badge_fault, pin_fault, text_members

bp = Blueprint("sessions", __name__, url_prefix="/v1")
# One answer for every way to be wrong: it says nothing of which badges there are
WRONG = (
    "badge and PIN do not go together at this device. After ten wrong ones in a row it is shut for that person"
    " until a lead lifts it; everybody else signs in as before"
)


def _device() -> str:
    device = caller().device
    if device is None:
        raise NotAllowed("people sign in at an enrolled bench device only")
    return device


@bp.post("/sessions")
@contract(takes="badge-and-pin", gives="session", status=(201,), refuses=("malformed", "bad-json", "wrong-media-type"))
def sign_in() -> Response:
    """Sign in by badge and PIN at the enrolled device that asks; a second person may sign in beside the first."""
    known_query()
    body = text_members({"badge": badge_fault, "pin": pin_fault})
    token, device, store = caller(), _device(), current_app.extensions["store"]
    with store.writing.begin() as connection:
        guess = sessions.count_guess(connection, token.book, device, body["badge"])
    right = pins.fits(guess.pin, body["pin"])  # outside the lock, and as long for nobody as for somebody
    if not right or guess.shut:
        raise NotAllowed(WRONG)
    with store.writing.begin() as connection:
        opened = sessions.open_session(connection, token.book, device, guess, store.clock())
    if opened is None:
        raise NotAllowed(WRONG)
    return give_json({"person": opened.person, "until": opened.until}, 201)


@bp.get("/sessions")
@contract(gives="sessions")
def signed_in() -> Response:
    """Who is signed in at the device that asks, and until when."""
    known_query()
    token, device, store = caller(), _device(), current_app.extensions["store"]
    with store.reading.begin() as connection:
        found = sessions.sessions(connection, token.book, device, store.clock())
        names = {s.person: people.find_person(connection, token.book, s.person) for s in found}
    rows = [{"person": s.person, "name": p.name if (p := names[s.person]) else None, "until": s.until} for s in found]
    return give_json({"sessions": rows})


@bp.delete("/sessions")
@contract(gives="sessions")
def sign_out_all() -> Response:
    """Sign out everybody at the device that asks."""
    known_query()
    return _sign_out(None)


@bp.delete("/sessions/<person>")
@contract(gives="sessions")
def sign_out(person: str) -> Response:
    """Sign out one person at the device that asks."""
    known_query()
    return _sign_out(person)


def _sign_out(person: str | None) -> Response:
    token, device, store = caller(), _device(), current_app.extensions["store"]
    with store.writing.begin() as connection:
        sessions.close(connection, token.book, device, person)
    return signed_in()
