"""Questions over many units: what wears out or falls due, what cured complaints and came back, spares to stock."""

from flask import Blueprint, Response, request

from service_api.domain.refusals import Malformed
from service_api.http.contract import (
    MOST_ROWS,
    PAGING,
    TIMES,
    answers,
    contract,
    day_of,
    give_list,
    known_query,
    linked,
    when,
    whole,
)

bp = Blueprint("fleet", __name__, url_prefix="/v1")
MONTH, LONGEST = 30, 3660


@bp.get("/fleet/forecast")
@contract(gives="service_api.domain.forecast:FleetForecast", query=("until", *TIMES), refuses=("bad-query",))
def forecast() -> Response:
    """Every unit with a part that reaches its acting limit before its next service, soonest first, and when to order.

    With `until`, those alone that reach it up to and on that day.
    """
    known_query("until", *TIMES)
    return give_list(answers().fleet.forecast(day_of("until"), when()))


@bp.get("/fleet/due")
@contract(
    gives="service_api.domain.due:FleetDue",
    query=("until", "unit", "class", "site", "what", *PAGING, *TIMES),
    refuses=("bad-query",),
)
def due() -> Response:
    """What is overdue and what falls due up to and on a day, overdue first: 30 days ahead without `until`.

    Planned services and those by the sheet's interval, examinations, calibrations, the ends of concessions. `unit`,
    `class`, `site` and `what` (its first word) narrow the list; what ends by hours that nobody can date stands last.
    """
    from service_api.domain.due import KINDS, Wanted

    known_query("until", "unit", "class", "site", "what", *PAGING, *TIMES)
    query = request.args.get
    if query("what") not in (None, *KINDS):
        raise Malformed.at("?what", "bad-query", f"one of {', '.join(KINDS)}")
    wanted = Wanted(day_of("until"), query("unit"), query("class"), query("site"), query("what"))
    start, limit = whole("cursor", 0, 0, 2**53), whole("limit", MOST_ROWS, 1, MOST_ROWS)
    found = answers().due(wanted, when(), start, limit)
    return linked(give_list(found), found["next"])


@bp.get("/complaints/cures")
@contract(gives="service_api.domain.complaints:Cures", query=("mode", "class", "since", *TIMES), refuses=("bad-query",))
def cures() -> Response:
    """What cured complaints of a mode, no-part cures included, with shares and intervals, and what to check first.

    Without `class` each class stands apart, without `mode` each mode: what usually goes wrong on it.
    """
    known_query("mode", "class", "since", *TIMES)
    query = request.args.get
    return give_list(answers().fleet.cures(query("mode"), query("class"), day_of("since"), when()))


@bp.get("/complaints/repeats")
@contract(gives="service_api.domain.complaints:Repeats", query=("within_days", *TIMES), refuses=("bad-query",))
def repeats() -> Response:
    """Complaints that came again on the same unit with the same mode, after no fault found too; 30 days unless said."""
    known_query("within_days", *TIMES)
    return give_list(answers().fleet.repeats(whole("within_days", MONTH, 0, LONGEST), when()))


@bp.get("/spares/forecast")
@contract(
    gives="service_api.domain.spares:SparesForecast",
    query=("part_no", "until", *TIMES),
    refuses=("bad-query", "not-found", "needs-extra"),
)
def spares() -> Response:
    """Sets of a part that will fail up to and on a day, running ones counted as not yet: how sure, what to stock."""
    known_query("part_no", "until", *TIMES)
    part_no, until = request.args.get("part_no"), day_of("until")
    if not part_no:
        raise Malformed.at("?part_no", "bad-query", "say which part")
    if until is None:
        raise Malformed.at("?until", "bad-query", "say up to which day, YYYY-MM-DD")
    return give_list(answers().fleet.spares(part_no, until, when()))
