"""Parts: what was in which slot from when to when, and where each piece with a serial was over all units."""

from collections.abc import Iterator
from typing import Any

from service_api.paper.dossier.index import Index
from service_api.paper.entries import flat
from service_api.paper.layout import Bit, Cell, Column, Paper
from service_api.paper.words import moment, said

SPANS = (
    Column("#", 0.07, "quiet", True),
    Column("Piece", 0.35),
    Column("In", 0.2),
    Column("Out", 0.2),
    Column("Where it went", 0.18),
)


def parts(paper: Paper, found: dict[str, Any], index: Index) -> None:
    paper.heading("Parts, slot by slot")
    if not found["slots"]:
        paper.text((Bit("No part was fitted or removed.", "quiet"),))
    for slot in found["slots"]:
        paper.subheading(slot["title"] or slot["slot"], slot["slot"] if slot["title"] else "")
        paper.table(SPANS, (_span(span, index) for span in slot["spans"]), 7.5)
    if found["pieces"]:
        paper.subheading("Where the pieces with a serial were, over all units")
        columns = (Column("Piece", 0.26, "strong"), Column("Place", 0.34), Column("From", 0.2), Column("Until", 0.2))
        paper.table(columns, _chains(found["pieces"]), 7.5)


def _span(span: dict[str, Any], index: Index) -> list[Cell]:
    pieces = [Bit(words) for piece in span["pieces"] for words in _piece_lines(piece)]
    came = moment(span["from"]) or str(span.get("unknown") or "")
    return [index.number(span["entry"]), pieces, came, moment(span["until"]) or "in now", said(span.get("to"))]


def _piece_lines(piece: dict[str, Any]) -> list[str]:
    rest = [f"{said(k)} {flat(v)}" for k, v in piece.items() if k not in ("part_no", "qty") and v is not None]
    count = f"{piece['qty']} × " if piece["qty"] != 1 else ""
    return [f"{count}{piece['part_no']}", *rest]


def _chains(pieces: dict[str, Any]) -> Iterator[list[Cell]]:
    for name, piece in pieces.items():
        for place in piece["chain"]:
            where = f"{place['unit']}, {place['slot']}" if place["unit"] else said(place["place"])
            yield [name, where, moment(place["from"]) or "not logged", moment(place["until"]) or "there now"]
        for gap in piece["gaps"]:
            yield [name, (Bit(f"a step is missing: {gap['why']}", "alarm"),), "", ""]
