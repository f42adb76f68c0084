"""Gauges: whether one is fit for a limit on a day."""

from flask import Blueprint, Response, request

from service_api.domain.refusals import Malformed
from service_api.http.contract import TIMES, answers, contract, day_of, give, known_query, when

bp = Blueprint("gauges", __name__, url_prefix="/v1")
REFUSES = ("unknown-unit", "bad-query")


@bp.get("/gauges/<gauge>/fitness")
@contract(
    gives="service_api.domain.fitness:GaugeFitness",
    query=("characteristic", "class", "on", *TIMES),
    refuses=("unknown-unit", "not-found", "bad-query"),
)
def fitness(gauge: str) -> Response:
    """Whether a gauge is in date, in range and fine enough for a characteristic on a day, and which would do instead.

    `class` says whose characteristic where two classes share a code.
    """
    known_query("characteristic", "class", "on", *TIMES)
    code = request.args.get("characteristic")
    if not code:
        raise Malformed.at("?characteristic", "bad-query", "say for which characteristic")
    return give(answers().fitness(gauge, code, request.args.get("class"), day_of("on"), when()))


@bp.get("/gauges/<gauge>/lookback")
@contract(gives="service_api.domain.lookback:Lookback", query=TIMES, refuses=REFUSES)
def lookback(gauge: str) -> Response:
    """Every reading by a gauge between its last good calibration and the one that found it out, as read and corrected.

    Which decisions change, where those units are, and which of them still need somebody to act.
    """
    known_query(*TIMES)
    return give(answers().lookback(gauge, when()))
