"""A unit's bundle: a file that proves itself without this service."""

from hashlib import sha256

from flask import Blueprint, Response, current_app

from service_api.http.contract import JSON, answers, caller, contract, known_query, unchanged

bp = Blueprint("bundles", __name__, url_prefix="/v1")


@bp.get("/units/<unit>/bundle")
@contract(gives="bundle", refuses=("unknown-unit", "not-found"))
def bundle(unit: str) -> Response:
    """The unit's entries as hashed, each with its inclusion proof, the checkpoint, and their number, signed.

    To a customer an entry that they do not see, or that names another party, is given as its leaf.
    """
    from service_api.bundles import contents

    known_query()
    token = caller()
    proofs = current_app.extensions["store"].proofs(token.book)
    signed = proofs.signed()
    what = contents(answers(), unit, signed.checkpoint.size)
    digest = sha256(f"{signed.note}{unit}\n{token.party or ''}".encode()).hexdigest()
    etag = f'"{digest[:32]}"'
    if (same := unchanged(etag)) is not None:
        return same
    response = Response(proofs.bundle(signed, what), 200, content_type=JSON)
    response.headers["ETag"] = etag
    response.headers["Cache-Control"] = "no-cache"
    response.headers["Content-Disposition"] = f'attachment; filename="{unit}.bundle.json"'
    return response
