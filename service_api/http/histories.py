"""The history of a unit: every entry in order, narrowed where one asks; as JSON, as CSV, or the dossier on paper."""

from flask import Blueprint, Response, request

from service_api.domain.history import MARKS, Only, is_type
from service_api.domain.refusals import Malformed
from service_api.http.contract import (
    JSON,
    PAGING,
    TIMES,
    answers,
    contract,
    day_of,
    give_page,
    known_query,
    when,
    whole,
)
from service_api.http.papers import CSV, PDF, dossier_pdf, history_csv

bp = Blueprint("histories", __name__, url_prefix="/v1")
NARROWS = ("types", "from", "until", "slot", "job", "by", "gauge", "characteristic", "mark")
NAMED = ("types", "from day", "until", "slot", "job", "by person", "gauge", "characteristic", "mark")


@bp.get("/units/<unit>/history")
@contract(gives="history", query=(*TIMES, *PAGING, "order", *NAMED), refuses=("unknown-unit", "bad-query"))
def history(unit: str) -> Response:
    """Every entry of a unit in the order of the corrected moment, struck and moved ones marked.

    `order=newest` begins with the latest. Without `limit` the whole history is answered. Corrections come with what
    they correct. With `Accept: text/csv` it is a table, with `Accept: application/pdf` the dossier.
    """
    wanted = request.accept_mimetypes.best_match((JSON, CSV, PDF), JSON)
    if wanted == PDF:
        return dossier_pdf(unit)
    known_query(*TIMES, *PAGING, "order", *NARROWS, several=("types",))
    order = request.args.get("order", "oldest")
    if order not in ("oldest", "newest"):
        raise Malformed.at("?order", "bad-query", "oldest or newest")
    start = whole("cursor", 0, 0, 2**53)
    limit = whole("limit", 0, 1, 5000) if "limit" in request.args else None
    if wanted == CSV:
        return history_csv(unit, start=start, limit=limit, newest=order == "newest", only=_only())
    found, total = answers().history(unit, when(), start=start, limit=limit, newest=order == "newest", only=_only())
    more = None if limit is None or start + limit >= total else start + limit
    return give_page(found | {"count": total}, more)


def _only() -> Only | None:
    """What the query narrows the history to. Raises Malformed."""
    args = request.args
    if not any(name in args for name in NARROWS):
        return None
    types = tuple(name for text in args.getlist("types") for name in text.split(",") if name)
    for name in types:
        if not is_type(name):
            raise Malformed.at("?types", "bad-query", f"{name} is no entry type, and no chapter of them such as part.*")
    since, until = day_of("from"), day_of("until")
    if since is not None and until is not None and until < since:
        raise Malformed.at("?until", "bad-query", f"it ends before it begins, on {since.isoformat()}")
    if args.get("mark") not in (None, *MARKS):
        raise Malformed.at("?mark", "bad-query", f"one of {', '.join(MARKS)}")
    return Only(
        types=types,
        since=since,
        until=until,
        **{name: args.get(name) for name in ("slot", "job", "by", "gauge", "characteristic", "mark")},
    )
