"""Lots: where the pieces of a supplier's batch were and are, and whether they add up."""

from flask import Blueprint, Response, request

from service_api.domain.refusals import Malformed
from service_api.http.contract import (
    MOST_ROWS,
    PAGING,
    TIMES,
    answers,
    contract,
    give_list,
    give_page,
    known_query,
    when,
    whole,
)

bp = Blueprint("lots", __name__, url_prefix="/v1")


@bp.get("/lots")
@contract(gives="lots-page", query=("unbalanced", *PAGING, *TIMES), refuses=("bad-query",))
def list_lots() -> Response:
    """Every lot that was received or fitted, with its balance; `unbalanced=true` lists those that do not add up."""
    known_query("unbalanced", *PAGING, *TIMES)
    unbalanced = request.args.get("unbalanced", "false")
    if unbalanced not in ("true", "false"):
        raise Malformed.at("?unbalanced", "bad-query", "true or false")
    limit = whole("limit", 100, 1, MOST_ROWS)
    found, more = answers().lots.listed(request.args.get("cursor", ""), limit, unbalanced == "true", when())
    return give_page(found, more)


@bp.get("/lots/<lot>")
@contract(gives="service_api.domain.lots:Lot", query=TIMES, refuses=("not-found", "bad-query"))
def lot(lot: str) -> Response:
    """Where the pieces of a lot ever were, where they are now, what is loose and gone, and whether that adds up."""
    known_query(*TIMES)
    return give_list(answers().lots.lot(lot, when()))
