"""The log as proof: checkpoint, tiles and entry bundles in the layout of C2SP, and proofs. All of it can be cached.

What stands under `/v1/log` is of the token's book; `/v1/books/{book}/log` names the book, by its origin. The setting
`public_log` opens it to anybody.
"""

from typing import Any

from flask import Blueprint, Response, current_app, request

from service_api.domain.refusals import Malformed, NotFound, TooLarge
from service_api.http.auth import ANYBODY
from service_api.http.contract import caller, contract, give_json, known_query, whole

bp = Blueprint("proofs", __name__, url_prefix="/v1/log")
of_book = Blueprint("book-proofs", __name__, url_prefix="/v1/books/<path:book>/log")
LARGEST = 2**53
LONGEST_NOTE = 64 * 1024
FOR_EVER = "max-age=31536000, immutable"
BYTES = "application/octet-stream"
NOTE = "text/plain; charset=utf-8"
PROOF = {
    "type": "object",
    "required": ["hashes"],
    "properties": {
        "hashes": {"type": "array", "items": {"type": "string"}, "description": "in hex, the leaf's side first"},
    },
}


def _proofs() -> Any:
    return current_app.extensions["store"].proofs(caller().book)


def _own(book: str) -> None:
    """Another's book is answered like one that is not there."""
    if book != current_app.extensions["store"].book(caller().book).origin:
        raise NotFound("no such book")


@bp.get("/checkpoint")
@contract(gives="text/plain", query=("witnessed",), refuses=("not-found", "bad-query"), public_log="hashes")
def checkpoint() -> Response:
    """Origin, size and root of the book as a signed note; it covers every acknowledged entry.

    `witnessed=true` gives the longest that a witness has signed too, which may be older.
    """
    return _checkpoint()


@of_book.get("/checkpoint")
@contract(gives="text/plain", query=("witnessed",), refuses=("not-found", "bad-query"), public_log="hashes")
def checkpoint_of(book: str) -> Response:
    """The checkpoint of a book, which is the token's, by its origin."""
    _own(book)
    return _checkpoint()


def _checkpoint() -> Response:
    known_query("witnessed")
    asked = request.args.get("witnessed", "false")
    if asked not in ("true", "false"):
        raise Malformed.at("?witnessed", "bad-query", "true or false")
    note = _proofs().witnessed() if asked == "true" else _proofs().checkpoint()
    response = Response(note, 200, content_type=NOTE)
    response.headers["Cache-Control"] = "no-cache"
    return response


@bp.post("/cosignatures")
@contract(takes="bytes", gives="cosigned", status=(201,), refuses=("wrong-form", "too-large"))
def cosign() -> Response:
    """Keep what witnesses have signed: a checkpoint of this book with their lines, as a note.

    Whose lines are kept is said by `fettlebook key witness`; who hands them in does not matter.
    """
    known_query()
    note = request.stream.read(LONGEST_NOTE + 1)
    if len(note) > LONGEST_NOTE:
        raise TooLarge(f"a cosigned checkpoint has at most {LONGEST_NOTE} bytes")
    store, book = current_app.extensions["store"], caller().book
    with store.writing.begin() as connection:
        size, by = store.proofs(book).cosign(connection, note.decode("utf-8", "replace"))
    return give_json({"size": size, "witnesses": by}, 201)


def _tile(path: str) -> Response:
    known_query()
    response = Response(_proofs().tile(path), 200, content_type=BYTES)
    response.headers["Cache-Control"] = f"{'public' if caller().role == ANYBODY else 'private'}, {FOR_EVER}"
    return response


@bp.get("/tile/entries/<path:number>")
@contract(gives=BYTES, refuses=("not-found",), public_log="entries")
def entries(number: str) -> Response:
    """A bundle of the exact hashed bytes of up to 256 entries, each behind its length in two bytes."""
    return _tile(f"entries/{number}")


@bp.get("/tile/<level>/<path:number>")
@contract(gives=BYTES, refuses=("not-found",), public_log="hashes")
def tile(level: str, number: str) -> Response:
    """A tile of up to 256 hashes of the tree, of 32 bytes each."""
    return _tile(f"{level}/{number}")


@of_book.get("/tile/entries/<path:number>")
@contract(gives=BYTES, refuses=("not-found",), public_log="entries")
def entries_of(book: str, number: str) -> Response:
    """A bundle of entries of a book, which is the token's."""
    _own(book)
    return _tile(f"entries/{number}")


@of_book.get("/tile/<level>/<path:number>")
@contract(gives=BYTES, refuses=("not-found",), public_log="hashes")
def tile_of(book: str, level: str, number: str) -> Response:
    """A tile of the tree of a book, which is the token's."""
    _own(book)
    return _tile(f"{level}/{number}")


def _size(name: str) -> int | None:
    return whole(name, 0, 0, LARGEST) if name in request.args else None


def _required(name: str) -> int:
    if name not in request.args:
        raise Malformed.at(f"?{name}", "bad-query", "this call needs it")
    return whole(name, 0, 0, LARGEST)


@bp.get("/proof/inclusion")
@contract(gives=PROOF, query=("index", "size"), refuses=("bad-query",), public_log="hashes")
def inclusion() -> Response:
    """The proof that the entry at `index` is in the book of `size` entries, now without one."""
    known_query("index", "size")
    index = _required("index")
    hashes, size = _proofs().inclusion(index, _size("size"))
    return give_json({"index": index, "size": size, "hashes": [each.hex() for each in hashes]})


@bp.get("/proof/consistency")
@contract(gives=PROOF, query=("from", "to"), refuses=("bad-query",), public_log="hashes")
def consistency() -> Response:
    """The proof that the book of `to` entries, now without it, begins with the book of `from` entries."""
    known_query("from", "to")
    old = _required("from")
    hashes, new = _proofs().consistency(old, _size("to"))
    return give_json({"from": old, "to": new, "hashes": [each.hex() for each in hashes]})
