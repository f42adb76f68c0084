"""Jobs: what was done under one job number."""

from flask import Blueprint, Response

from service_api.http.contract import TIMES, answers, contract, give, known_query, when

bp = Blueprint("jobs", __name__, url_prefix="/v1")


@bp.get("/jobs/<job>")
@contract(gives="job", query=TIMES, refuses=("not-found", "bad-query"))
def job(job: str) -> Response:
    """The entries of a job in order, its parts, and the checks that nobody answered."""
    known_query(*TIMES)
    return give(answers().job(job, when()))
