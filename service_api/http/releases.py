"""Releases: the gate to read before signing, the signature, the certificate as issued and as it would read today."""

from datetime import date
from typing import TYPE_CHECKING

from flask import Blueprint, Response, request

from service_api.domain.refusals import Malformed
from service_api.http.contract import (
    TIMES,
    answers,
    contract,
    day_of,
    give,
    known_query,
    when,
)

if TYPE_CHECKING:
    from service_api.domain.gate import Asked

bp = Blueprint("releases", __name__, url_prefix="/v1")
ASKED = ("job", "kind", "by", "second", "concessions", "hire_from", "hire_until")
KINDS = ("full", "with_concession")


@bp.get("/units/<unit>/gate")
@contract(
    gives="service_api.domain.certificate:GateAnswer", query=(*ASKED, *TIMES), refuses=("unknown-unit", "bad-query")
)
def gate(unit: str) -> Response:
    """What would stop a release, why, and who may put it right; the certificate as it would be, and its digest.

    `true_at` asks for another moment of signing. `concessions` names the concessions that the release would rest on.
    """
    known_query(*ASKED, *TIMES, several=("concessions",))
    asked, moment = _asked(), when()
    day = answers().on_day(moment)
    begin = date.fromisoformat(asked.hire_from) if asked.hire_from else day
    if asked.hire_until is not None and date.fromisoformat(asked.hire_until) < begin:
        raise Malformed.at("?hire_until", "bad-query", f"the hire ends before it begins, on {begin.isoformat()}")
    return give(answers().gate(unit, asked, moment))


def _asked() -> "Asked":
    from service_api.domain.gate import Asked  # with the first who asks

    named = (name for text in request.args.getlist("concessions") for name in text.split(","))
    concessions = tuple(name for name in named if name)
    kind = request.args.get("kind", "with_concession" if concessions else "full")
    if kind not in KINDS:
        raise Malformed.at("?kind", "bad-query", f"one of {', '.join(KINDS)}")
    begin, end = day_of("hire_from"), day_of("hire_until")
    return Asked(
        job=request.args.get("job"),
        kind=kind,
        by=request.args.get("by"),
        second=request.args.get("second"),
        concessions=concessions,
        hire_from=begin.isoformat() if begin else None,
        hire_until=end.isoformat() if end else None,
    )
