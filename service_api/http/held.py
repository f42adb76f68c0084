"""What is held, and what was let out under a concession."""

from flask import Blueprint, Response, request

from service_api.domain.concessions import STATES
from service_api.domain.plain import answer
from service_api.domain.refusals import Malformed
from service_api.http.contract import (
    MOST_ROWS,
    PAGING,
    TIMES,
    answers,
    contract,
    give_page,
    known_query,
    when,
    whole,
)

bp = Blueprint("held", __name__, url_prefix="/v1")


@bp.get("/holds")
@contract(gives="holds-page", query=("unit", "class", *PAGING, *TIMES), refuses=("unknown-unit", "bad-query"))
def list_holds() -> Response:
    """What is held over the whole book, why, since when, and who may lift it or end its cause; computed holds too.

    `limit` counts units; `unit` and `class` narrow the list.
    """
    known_query("unit", "class", *PAGING, *TIMES)
    query, limit = request.args.get, whole("limit", MOST_ROWS, 1, MOST_ROWS)
    found, more = answers().holds(query("unit"), query("class"), when(), query("cursor", ""), limit)
    return give_page(found, more)


@bp.get("/concessions")
@contract(
    gives="concessions-page", query=("unit", "class", "state", *PAGING, *TIMES), refuses=("unknown-unit", "bad-query")
)
def list_concessions() -> Response:
    """What was let out under a concession, and whether it is past its day or its hours: overdue ones first.

    `unit`, `class` and `state` narrow the list.
    """
    known_query("unit", "class", "state", *PAGING, *TIMES)
    query, state = request.args.get, request.args.get("state")
    if state is not None and state not in STATES:
        raise Malformed.at("?state", "bad-query", f"one of {', '.join(STATES)}")
    start, limit = whole("cursor", 0, 0, 2**53), whole("limit", MOST_ROWS, 1, MOST_ROWS)
    rows, as_of = answers().fleet.concessions(query("unit"), query("class"), state, when())
    counts = {word: sum(row.state == word for row in rows) for word in STATES}
    shown = [answer(row) for row in rows[start : start + limit]]
    more = str(start + limit) if start + limit < len(rows) else None
    return give_page({"as_of": answer(as_of), "counts": counts, "concessions": shown}, more)
