"""What is printed: dossiers, histories as CSV, certificates. What draws them is imported to draw."""

import json
from hashlib import sha256
from pathlib import Path
from typing import Any

from flask import Blueprint, Response, current_app, request

from service_api.directory import attachments, papers
from service_api.domain.moments import in_utc
from service_api.domain.refusals import NotFound
from service_api.http.contract import TIMES, answers, caller, contract, known_query, unchanged, when
from service_api.wire.canonical import parse

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
    etag = _tag(sha256(b"%d" % DRAWN_BY + json.dumps(found).encode()).hexdigest()[:32])
    if (same := unchanged(etag)) is not None:
        return same
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
    etag = _tag(sha256(content).hexdigest()[:32])
    if (same := unchanged(etag)) is not None:
        return same
    response = paper(content, f"{unit}.history.csv", etag)
    response.headers["Content-Type"] = "text/csv; charset=utf-8; header=present"
    return response


def _tag(digest: str) -> str:
    """A strong entity tag."""
    return f'"{digest}"'


def paper(content: bytes, name: str, etag: str) -> Response:
    """A paper to keep or to print; a browser shows it without running anything of it."""
    response = Response(content, 200, content_type=PDF)
    response.headers["Content-Disposition"] = f'inline; filename="{name}"'
    response.headers["Content-Security-Policy"] = "sandbox; default-src 'none'"
    response.headers["ETag"] = etag
    response.headers["Cache-Control"] = "no-cache"
    return response


@bp.get("/releases/<release>/certificate.pdf")
@contract(gives=PDF, query=TIMES, refuses=("not-found", "bad-query"))
def certificate_pdf(release: str) -> Response:
    """The certificate on A4, drawn once and given out again as it was; its JSON is the certificate."""
    known_query(*TIMES)
    found = parse(answers().release(release, when()).text)
    book = caller().book
    store = current_app.extensions["store"]
    folder = store.attachments / str(book)
    with store.reading.begin() as connection:
        digest = papers.find(connection, book, found["entry"])
    if digest is None:
        digest = _drawn(store, book, folder, found)
    etag = _tag(digest)
    if (same := unchanged(etag)) is not None:
        return same
    try:
        content = (folder / digest).read_bytes()
    except FileNotFoundError:
        raise NotFound("its bytes are lost; the certificate itself is the JSON of this release") from None
    return paper(content, f"{release}.pdf", etag)


def _drawn(store: Any, book: int, folder: Path, found: dict[str, Any]) -> str:
    """Draw the paper of a release, keep its bytes under their digest, and give that."""
    from service_api.paper.certificate import draw

    late = {"issued": found["issued"]} if "issued" in found else {}
    content = draw(found["certificate"] | late, store.book(book).origin, found.get("replaces"), found.get("why"))
    digest = sha256(content).hexdigest()
    attachments.write(folder, digest, PDF, content)
    with store.writing.begin() as connection:
        kept: str = papers.keep(connection, book, found["entry"], digest)
        attachments.keep(connection, book, digest, PDF, len(content), in_utc(store.clock()))
    return kept
