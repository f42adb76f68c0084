"""What is printed of a unit: its dossier as PDF, its history as CSV. What draws them is imported to draw."""

import json
from hashlib import sha256
from typing import Any

from flask import Blueprint, Response, current_app, request

from service_api.http.contract import TIMES, answers, caller, contract, known_query, when

bp = Blueprint("papers", __name__, url_prefix="/v1")
PDF, CSV = "application/pdf", "text/csv"
DRAWN_BY = 1  # goes up when the same dossier would be drawn otherwise


@bp.get("/units/<unit>/dossier")
@contract(gives=PDF, query=TIMES, refuses=("unknown-unit", "bad-query"))
def dossier(unit: str) -> Response:
    """A unit's dossier: PDF, or the history as CSV where `Accept` asks for it."""
    known_query(*TIMES)
    wanted = request.accept_mimetypes.best_match((PDF, CSV), PDF)
    return history_csv(unit) if wanted == CSV else dossier_pdf(unit)


@bp.get("/units/<unit>/dossier.pdf")
@contract(gives=PDF, query=TIMES, refuses=("unknown-unit", "bad-query"))
def dossier_pdf(unit: str) -> Response:
    """Everything that the book holds about a unit, on A4, with the checkpoint to hold it against.

    The same `known_index` gives the same bytes.
    """
    from service_api.dossiers import gather

    known_query(*TIMES)
    found = gather(answers(), current_app.extensions["store"].proofs(caller().book), unit, when())
    etag = sha256(b"%d" % DRAWN_BY + json.dumps(found).encode()).hexdigest()[:32]
    if request.if_none_match.contains_weak(etag):
        return Response(status=304, headers={"ETag": f'"{etag}"'})
    from service_api.paper.dossier import draw

    return paper(draw(found), f"{unit}.dossier.pdf", etag)


@bp.get("/units/<unit>/dossier.csv")
@contract(gives=CSV, query=TIMES, refuses=("unknown-unit", "bad-query"))
def dossier_csv(unit: str) -> Response:
    """The history as CSV, one line an entry; the last chapter but one of /docs lists the columns."""
    known_query(*TIMES)
    return history_csv(unit)


def history_csv(unit: str, **wanted: Any) -> Response:
    """The history, or what is wanted of it, with the leaf of every entry."""
    from service_api.dossiers import as_then, lines
    from service_api.paper.rows import table

    view, at = as_then(answers(), when())
    content = b"".join(table(lines(view, unit, at, **wanted)["entries"]))
    etag = sha256(content).hexdigest()[:32]
    if request.if_none_match.contains_weak(etag):
        return Response(status=304, headers={"ETag": f'"{etag}"'})
    response = paper(content, f"{unit}.history.csv", etag)
    response.headers["Content-Type"] = "text/csv; charset=utf-8; header=present"
    return response


def paper(content: bytes, name: str, etag: str) -> Response:
    """A paper to keep or to print; a browser shows it without running anything of it."""
    response = Response(content, 200, content_type=PDF)
    response.headers["Content-Disposition"] = f'inline; filename="{name}"'
    response.headers["Content-Security-Policy"] = "sandbox; default-src 'none'"
    response.headers["ETag"] = f'"{etag}"'
    response.headers["Cache-Control"] = "no-cache"
    return response
