"""What a unit is: identity, card, condition, slots, wear, history; and the sheet of its class."""

import json
from datetime import date

from flask import Blueprint, Response, request

from service_api.answering.doubts import Wanted
from service_api.domain.condition import Condition
from service_api.domain.discrepancies import KINDS
from service_api.domain.refusals import Malformed, NotAllowed
from service_api.http.contract import (
    JSON,
    MOST_ROWS,
    PAGING,
    TIMES,
    answers,
    caller,
    contract,
    give,
    give_list,
    give_page,
    known_query,
    linked,
    when,
    whole,
)
from service_api.wire.canonical import parse

bp = Blueprint("units", __name__, url_prefix="/v1")
REFUSES = ("unknown-unit", "bad-query")


@bp.get("/units")
@contract(gives="units-page", query=("class", *PAGING, *TIMES), refuses=("bad-query",))
def list_units() -> Response:
    """The units of the book by number, with standing, place and what is due."""
    known_query("class", *PAGING, *TIMES)
    limit = whole("limit", 100, 1, MOST_ROWS)
    found, more = answers().units(request.args.get("cursor", ""), limit, request.args.get("class"), when())
    body = b'{"units":[' + b",".join(found) + b'],"next":' + json.dumps(more).encode() + b"}"
    return linked(Response(body, 200, content_type=JSON), more)


@bp.get("/discrepancies")
@contract(
    gives="discrepancies-page", query=("code", "unit", "class", "holds_release", *PAGING, *TIMES), refuses=REFUSES
)
def list_discrepancies() -> Response:
    """What cannot be right, over the whole book: by unit, each once, with what would settle it and who may.

    `limit` counts units; `code`, `unit`, `class` and `holds_release` narrow the list.
    """
    known_query("code", "unit", "class", "holds_release", *PAGING, *TIMES)
    code, holds = request.args.get("code"), request.args.get("holds_release")
    if code is not None and code not in KINDS:
        raise Malformed.at("?code", "bad-query", f"one of {', '.join(sorted(KINDS))}")
    if holds not in (None, "true", "false"):
        raise Malformed.at("?holds_release", "bad-query", "true or false")
    wanted = Wanted(
        code, request.args.get("unit"), request.args.get("class"), None if holds is None else holds == "true"
    )
    limit = whole("limit", MOST_ROWS, 1, MOST_ROWS)
    found, more = answers().discrepancies(wanted, when(), request.args.get("cursor", ""), limit)
    return give_page(found, more)


@bp.get("/units/<unit>")
@contract(gives="identity", query=TIMES, refuses=REFUSES)
def identity(unit: str) -> Response:
    """What a unit is: class, serial, owner, standing, tags, site."""
    known_query(*TIMES)
    return give(answers().identity(unit, when()))


@bp.get("/units/<unit>/card")
@contract(
    gives="service_api.domain.card:Card", query=("by", "activity", "slot", *TIMES), refuses=(*REFUSES, "not-found")
)
def card(unit: str) -> Response:
    """What the bench must know after one scan, worst first; `by` adds what that person may do here alone (`may`).

    The cautions are those of the open job; `activity` and `slot` ask for those of what somebody is about to do.
    """
    known_query("by", "activity", "slot", *TIMES)
    found = answers().card(unit, when(), request.args.get("activity"), request.args.get("slot"))
    person = request.args.get("by")
    if person is None:
        return give(found)
    if caller().role == "customer":
        raise NotAllowed("who may do what is the house's own")
    from service_api.competences import may_alone

    return give_list(parse(found.text) | {"may": may_alone(answers(), unit, person, when())})


@bp.get("/units/<unit>/condition")
@contract(gives=Condition, query=TIMES, refuses=REFUSES)
def condition(unit: str) -> Response:
    """Hours, slots and the latest readings with their verdicts; standing, findings, discrepancies."""
    known_query(*TIMES)
    return give(answers().condition(unit, when()))


@bp.get("/units/<unit>/wear/<characteristic>")
@contract(gives="service_api.domain.wear:Wear", query=TIMES, refuses=(*REFUSES, "not-found"))
def wear(unit: str, characteristic: str) -> Response:
    """The wear of what is in the slot now: points, line, where it reaches the acting limit, and gaps in the record."""
    known_query(*TIMES)
    return give(answers().wear(unit, characteristic, when()))


@bp.get("/units/<unit>/slots")
@contract(gives="slots", query=TIMES, refuses=REFUSES)
def slots(unit: str) -> Response:
    """What is fitted in every slot, with the hours on it."""
    known_query(*TIMES)
    return give(answers().slots(unit, when()))


@bp.get("/units/<unit>/slots/<slot>")
@contract(gives="slot", query=TIMES, refuses=(*REFUSES, "not-found"))
def slot(unit: str, slot: str) -> Response:
    """What is fitted in one slot, and everything that ever was."""
    known_query(*TIMES)
    return give(answers().slot(unit, slot, when()))


@bp.get("/units/<unit>/hours")
@contract(gives="service_api.domain.keeping:UnitHours", query=("keeper", *TIMES), refuses=REFUSES)
def hours(unit: str) -> Response:
    """The unit's hours, those since its last rebuild, and those with each keeper: read or estimated, value or range."""
    known_query("keeper", *TIMES)
    return give(answers().hours(unit, request.args.get("keeper"), when()))


@bp.get("/classes/<class_>/sheet")
@contract(gives="sheet", query=("on", *TIMES), refuses=("not-found", "bad-query"))
def sheet(class_: str) -> Response:
    """The sheet revision of a class in force on a day (today without `on`)."""
    known_query("on", *TIMES)
    text = request.args.get("on")
    try:
        on = None if text is None else date.fromisoformat(text)
        if on is not None and on.isoformat() != text:  # the basic form and week dates
            raise ValueError(text)
    except ValueError:
        raise Malformed.at("?on", "bad-query", "a date is YYYY-MM-DD") from None
    asked = when()
    if on is None and asked.true_at is not None:
        on = answers().day(asked.true_at)
    return give(answers().sheet(class_, on, asked))
