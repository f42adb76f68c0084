"""Jobs and pieces: what was done under one job number, and where one piece has been."""

from flask import Blueprint, Response, request

from service_api.domain.refusals import Malformed
from service_api.http.contract import TIMES, answers, contract, give, known_query, when

bp = Blueprint("jobs", __name__, url_prefix="/v1")


@bp.get("/jobs/<job>")
@contract(gives="job", query=TIMES, refuses=("not-found", "bad-query"))
def job(job: str) -> Response:
    """The entries of a job in order, its parts, its stand runs, and the checks that nobody answered."""
    known_query(*TIMES)
    return give(answers().job(job, when()))


@bp.get("/pieces")
@contract(
    gives="service_api.domain.pieces:PieceChain",
    query=("part_no", "serial", *TIMES),
    refuses=("not-found", "bad-query"),
)
def piece() -> Response:
    """Where a piece with a serial has been, slot by slot over all units, and the steps that nobody logged."""
    known_query("part_no", "serial", *TIMES)
    part_no, serial = request.args.get("part_no"), request.args.get("serial")
    if not part_no or not serial:
        raise Malformed.at("?part_no" if not part_no else "?serial", "bad-query", "say which part, and its serial")
    return give(answers().piece(part_no, serial, when()))
