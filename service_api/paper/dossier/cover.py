"""The first pages: what the unit is and how it stands, its labels, where it was and whose."""

from collections.abc import Iterator
from typing import Any

from service_api.paper.entries import flat, told
from service_api.paper.layout import LEFT, MM, RIGHT, ROOM, WIDE, Bit, Cell, Column, Paper, fitting
from service_api.paper.words import grouped, hours, moment, said

SIDE = 38 * MM
WHAT = (
    "This dossier is everything that its book holds about one unit, struck, moved and failed included. It states "
    "shop facts; it does not authorise work. Follow the machine's manual, site rules and the persons licensed or "
    "appointed where you are."
)


def cover(paper: Paper, found: dict[str, Any], root: str) -> None:
    known, condition, as_of = found["identity"], found["condition"], found["as_of"]
    top = paper.y
    paper.scan(found["checkpoint"], WIDE - RIGHT - SIDE, top + 3 * MM, SIDE)
    paper.y -= 8
    paper.write(LEFT, paper.y, "UNIT DOSSIER", "quiet", 8.5)
    paper.y -= 32
    size = fitting(found["unit"], "strong", 32, ROOM - SIDE - 4 * MM)
    paper.write(LEFT, paper.y, found["unit"], "strong", size)
    paper.y -= 8
    title = (found["sheet"] or {}).get("title") or known.get("title") or known.get("class") or ""
    paper.text(title, 11, ROOM - SIDE - 4 * MM)
    paper.y = min(paper.y, top - SIDE)
    altered = found["altered"]
    if altered:
        listed = ", ".join(f"#{n}" for n in altered)
        paper.callout(f"ALTERED BENEATH THE BOOK: the text of {listed} is not what was recorded. Trust no line of it.")
    standing = [Bit(said(condition["standing"]), "strong")]
    standing += [Bit(str(why["why"]), "quiet") for why in condition["standing_why"]]
    paper.pairs(
        [
            ("Unit", f"{found['unit']}, class {known.get('class')}"),
            *((name, str(known[key])) for name, key in COVER if known.get(key)),
            *_earlier(known),
            ("Standing", standing),
            ("Hours", hours(condition["hours"])),
            *_since_rebuild(condition),
            ("Book", found["origin"]),
            ("As known", f"the first {as_of['known_index']} entries of the book, judged on {as_of['on']}"),
            *((("Facts up to", moment(as_of["true_at"])),) if as_of.get("true_at") else ()),
            ("Root", (Bit(grouped(root), "mono"),)),
            ("Lines", _counted(found)),
        ]
    )
    doubts = condition["discrepancies"]
    if doubts:
        paper.subheading("What cannot be right yet")
        columns = (Column("Code", 0.24, "strong"), Column("What", 0.5), Column("What settles it", 0.26, "quiet"))
        paper.table(columns, ([d["code"], d["detail"], flat(d.get("settle") or "")] for d in doubts))
    if condition["findings"]:
        paper.subheading("Findings open")
        columns = (Column("Finding", 0.24, "strong"), Column("What", 0.56), Column("Blocks use", 0.2))
        paper.table(
            columns, ([f["finding"], f["words"], "yes" if f["blocking"] else "no"] for f in condition["findings"])
        )
    paper.space(4)
    paper.text((Bit(WHAT, "quiet"),), 8.5)


COVER = (("Serial", "serial"), ("Variant", "variant"), ("Owner", "owner"), ("Name", "name"), ("Plate", "plate"))


def _earlier(known: dict[str, Any]) -> Iterator[tuple[str, Cell]]:
    if known.get("earlier"):
        words = "it brought the bundle of another book along, an attachment whose SHA-256 is"
        yield "Earlier book", (Bit(words), Bit(grouped(known["earlier"]), "mono"))


def _since_rebuild(condition: dict[str, Any]) -> Iterator[tuple[str, Cell]]:
    known = condition.get("since_rebuild")
    if known:
        yield "Since rebuild", f"{hours(known['hours'])}, rebuilt on {known['on']}, {known['count']} so far"


def _counted(found: dict[str, Any]) -> str:
    lines = found["entries"]
    marked = sum(1 for line in lines if line["mark"])
    withheld = f"; {found['withheld']} more are not for this reader" if found.get("withheld") else ""
    return f"{len(lines)} entries, {marked} of them struck, replaced or moved{withheld}"


PLACES = {
    "unit.registered": "registered",
    "unit.merged": "merged",
    "tag.attached": "tag put on",
    "tag.detached": "tag taken off",
    "unit.received": "received",
    "unit.dispatched": "dispatched",
    "unit.moved": "moved",
    "unit.sold": "sold",
    "unit.retired": "retired",
    "meter.replaced": "meter exchanged",
    "rebuild.completed": "rebuilt",
}


def identity(paper: Paper, found: dict[str, Any]) -> None:
    paper.heading("Identity, tags and places over time")
    worn = found["identity"].get("tags_worn") or ()
    if worn:
        columns = (
            Column("Tag", 0.3, "strong"),
            Column("Worn from", 0.25),
            Column("until", 0.25),
            Column("Why it came off", 0.2),
        )
        paper.table(
            columns,
            ([t["tag"], moment(t["since"]), moment(t.get("until")) or "now", said(t.get("why"))] for t in worn),
        )
    columns = (Column("#", 0.07, "quiet", True), Column("When", 0.22), Column("What", 0.16, "strong"), Column("", 0.55))
    rows = (
        [
            str(e["index"]),
            moment(e["occurred_at"]),
            PLACES[e["type"]],
            "\n".join(told(e["type"], e.get("data_now", e["data"]))),
        ]
        for e in found["entries"]
        if e["type"] in PLACES and e["counts"]
    )
    paper.table(columns, rows, none="Nothing is told of it.")
