"""A unit's dossier on paper: who it is, all that was written of it, what follows, and what it can be held against."""

import base64
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from typing import Any

from service_api.paper import charts
from service_api.paper.entries import flat, told
from service_api.paper.layout import LEFT, MM, RIGHT, ROOM, WIDE, Bit, Cell, Column, Paper
from service_api.paper.lettering import broken
from service_api.paper.words import grouped, hours, limit, moment, quantity, said, uom, window

SIDE = 38 * MM
CORRECTIONS = (
    "entry.superseded", "entry.withdrawn", "entry.reattributed", "entry.annotated", "entry.disputed",
    "dispute.settled", "verdict.reassessed",
)  # fmt: skip
MARKS = {
    "superseded": "replaced by",
    "withdrawn": "withdrawn by",
    "moved_out": "moved to another page by",
    "moved_in": "moved here by",
}
WHAT = (
    "This dossier is everything that its book holds about one unit, struck, moved and failed included. It states "
    "shop facts; it does not authorise work. Follow the machine's manual, site rules and the persons licensed or "
    "appointed where you are."
)
PROOF = (
    "The lines above are the book's checkpoint: its name, how many entries it had, and the root of the hash tree "
    "over all of them, signed by the book's key. The square holds the same text. Keep it: `fettlebook-audit check "
    "--against FILE` holds a copy of the book against it, and says which entry is wrong and how when one byte was "
    "changed. Every line of the history carries its index and its leaf, the SHA-256 of a zero byte and the entry's "
    "text; the unit's bundle (`GET /v1/units/{}/bundle`) has those texts with their proofs and needs no service to "
    "be checked."
)


def draw(found: dict[str, Any]) -> bytes:
    """The dossier as PDF, A4. found : as `dossiers.gather` gives it"""
    unit, origin, size = found["unit"], found["origin"], found["as_of"]["known_index"]
    root = _root(found)
    paper = Paper(
        f"Dossier of {unit}",
        (f"Unit dossier {unit}", origin),
        f"Book {origin}, first {size} entries, root {root[:16]}…",
        f"The first {size} entries of {origin}",
    )
    numbers = {line["id"]: line["index"] for line in found["entries"]}
    _cover(paper, found, root)
    _identity(paper, found, numbers)
    _timeline(paper, found, numbers)
    _measurements(paper, found, numbers)
    _parts(paper, found, numbers)
    _runs(paper, found, numbers)
    _corrections(paper, found, numbers)
    _certificates(paper, found, numbers)
    _proof(paper, found, root)
    return paper.finish()


def _root(found: dict[str, Any]) -> str:
    return base64.b64decode(found["checkpoint"].split("\n")[2]).hex()


def _number(ident: str | None, numbers: dict[str, int]) -> str:
    """An entry by its index in the book; one of another page by its id."""
    if ident is None:
        return ""
    return f"#{numbers[ident]}" if ident in numbers else ident


def _all(idents: Sequence[str], numbers: dict[str, int]) -> str:
    return ", ".join(_number(i, numbers) for i in idents)


def _cover(paper: Paper, found: dict[str, Any], root: str) -> None:
    identity, condition, as_of = found["identity"], found["condition"], found["as_of"]
    top = paper.y
    paper.scan(found["checkpoint"], WIDE - RIGHT - SIDE, top + 3 * MM, SIDE)
    paper.y -= 8
    paper.write(LEFT, paper.y, "UNIT DOSSIER", "quiet", 8.5)
    paper.y -= 32
    paper.write(LEFT, paper.y, found["unit"], "strong", 32 if len(found["unit"]) <= 12 else 14)
    paper.y -= 8
    title = (found["sheet"] or {}).get("title") or identity.get("title") or identity.get("class") or ""
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
            ("Unit", f"{found['unit']}, class {identity.get('class')}"),
            *((name, str(identity[key])) for name, key in COVER if identity.get(key)),
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


def _identity(paper: Paper, found: dict[str, Any], numbers: dict[str, int]) -> None:
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
        [str(e["index"]), moment(e["occurred_at"]), PLACES[e["type"]], "\n".join(told(e["type"], _now(e)))]
        for e in found["entries"]
        if e["type"] in PLACES and e["counts"]
    )
    paper.table(columns, rows, none="Nothing is told of it.")


def _now(line: dict[str, Any]) -> dict[str, Any]:
    data: dict[str, Any] = line.get("data_now", line["data"])
    return data


KEY = (
    "# is the place in the book. A line that was struck, replaced or moved stands where it stood, crossed out. "
    "The small line is its leaf."
)
TIMELINE = (
    Column("#", 0.07, "quiet", True),
    Column("When", 0.16),
    Column("What", 0.47),
    Column("Who", 0.14),
    Column("With", 0.16),
)


def _timeline(paper: Paper, found: dict[str, Any], numbers: dict[str, int]) -> None:
    paper.heading("History, every entry in the order of its moment")
    paper.text((Bit(KEY, "quiet"),), 8)
    paper.table(TIMELINE, (_entry(line, numbers) for line in found["entries"]), 7.5, "No entry is to be shown.")


def _entry(line: dict[str, Any], numbers: dict[str, int]) -> list[Cell]:
    struck = line["mark"] in ("superseded", "withdrawn", "moved_out")
    what = [Bit(said(line["type"].replace(".", " ")), "strong", struck)]
    what += [Bit(words, struck=struck) for words in told(line["type"], line["data"])]
    if line["mark"]:
        what.append(Bit(f"{MARKS[line['mark']]} {_all(line['marked_by'], numbers)}", "alarm"))
    if "data_now" in line and line["counts"]:
        what += [Bit(f"now: {words}") for words in told(line["type"], line["data_now"])]
    if line["type"] in CORRECTIONS and "target" in line["data"]:
        what.append(Bit(f"about {_number(line['data']['target'], numbers)}", "strong"))
    what += [Bit(f"attached: {a['name']}, SHA-256 {a['sha256']}", "quiet") for a in line.get("attachments") or ()]
    what.append(Bit(line["leaf"], "fine"))
    return [str(line["index"]), _when(line), what, _who(line), _with(line)]


def _when(line: dict[str, Any]) -> Cell:
    """When it happened, as typed; where a correction moved it to; when the book heard of it."""
    day, clock, *offset = moment(line["occurred_at"]).split(" ")
    heard = line["recorded_at"]
    found = [Bit(f"{day} {clock}"), Bit(f"{' '.join(offset)}", "quiet")]
    if charts.day_number(line["at"]) != charts.day_number(_utc(line["occurred_at"])):
        found.append(Bit(f"counts at {moment(line['at'][:19] + 'Z')}", "quiet"))
    known = heard[11:16] if heard[:10] == day else f"{heard[:10]} {heard[11:16]}"
    return [*found, Bit(f"heard {known} UTC", "quiet")]


def _utc(text: str) -> str:
    """The moment in UTC to the minute, for a comparison."""
    if text.endswith("Z"):
        return text
    return datetime.fromisoformat(text).astimezone(UTC).isoformat()


def _who(line: dict[str, Any]) -> Cell:
    signed = line.get("signed") or {}
    found = [Bit(line["by"] + (f" ({said(signed['by'])})" if "by" in signed else ""))]
    second = line["data"].get("second")
    if second:
        found.append(Bit(f"second {second}" + (f" ({said(signed['second'])})" if "second" in signed else "")))
    if line.get("typed_by"):
        found.append(Bit(f"typed by {line['typed_by']}", "quiet"))
    return found


def _with(line: dict[str, Any]) -> Cell:
    data, device, source = line["data"], line.get("device"), line.get("source") or {}
    found = [
        f"job {line['job']}" if line.get("job") else "",
        f"gauge {data['gauge']}" if data.get("gauge") else "",
        f"sheet revision {data['sheet_rev']}" if data.get("sheet_rev") is not None else "",
        f"tag {line['tag']}, {line.get('tag_read') or 'not said how'}" if line.get("tag") else "",
        f"at {line['site']}{' ' + line['bench'] if line.get('bench') else ''}" if line.get("site") else "",
        f"device {device['id']} no. {device['seq']}" if device else "",
        f"{source['kind']} {source.get('ref') or ''}".strip() if source.get("kind") not in (None, "live") else "",
    ]
    return [Bit(words, "quiet") for words in found if words]


READ = (
    Column("#", 0.07, "quiet", True),
    Column("When", 0.19),
    Column("Stage", 0.09),
    Column("Read", 0.19),
    Column("Hours", 0.09, right=True),
    Column("Counts as", 0.1, right=True),
    Column("Acts at", 0.08, right=True),
    Column("Verdict", 0.19),
)


def _measurements(paper: Paper, found: dict[str, Any], numbers: dict[str, int]) -> None:
    paper.heading("Measurements", 60 * MM)
    if not found["measurements"]:
        paper.text((Bit("Nothing was measured.", "quiet"),))
    for row in found["measurements"]:
        title = f"{row['title']} ({row['characteristic']})" if row["title"] else row["characteristic"]
        note = ", ".join(filter(None, (uom(row["uom"]), f"wears with {row['slot']}" if row["slot"] else "")))
        paper.subheading(title, note, 40 * MM)
        dots = _dots(row)
        if len(dots) > 1:
            charts.draw(paper, dots, _levels(row), uom(row["uom"]))
        paper.table(READ, (_reading(reading, numbers) for reading in row["readings"]), 7.5)


def _dots(row: dict[str, Any]) -> list[charts.Dot]:
    return [
        charts.Dot(charts.day_number(r["at"]), float(r["value"]), r["stage"] == "as_left", r["occupant"])
        for r in row["readings"]
        if r["value"] is not None
    ]


def _levels(row: dict[str, Any]) -> list[charts.Level]:
    """The limits by which the last judged reading stood."""
    judged = next((r["conformity"] for r in reversed(row["readings"]) if r["conformity"]), None)
    if judged is None or judged.get("change") is not None:
        return []
    ends: list[tuple[str, Any, tuple[float, ...]]] = []
    both: list[tuple[str, Any, tuple[float, ...]]] = [
        ("limit", judged["limit"], ()),
        ("acts", judged["acting_limit"], (4, 2)),
    ]
    for words, value, dash in both:
        if isinstance(value, dict):
            ends += [(f"{words} {value[end]}", value[end], dash) for end in ("low", "high")]
        else:
            ends.append((f"{words} {value}", value, dash))
    ends += [(f"{name} {judged[name]}", judged[name], (1, 2)) for name in ("watch", "adjust")]
    seen: dict[float, charts.Level] = {}
    for words, value, dash in ends:
        if value is not None:
            seen.setdefault(float(value), charts.Level(float(value), words, dash))
    return list(seen.values())


def _reading(row: dict[str, Any], numbers: dict[str, int]) -> list[Cell]:
    judged = row["conformity"] or {}
    low, high = row["hours_low"], row["hours_high"]
    outcome = judged.get("outcome") or "not judged"
    bad = outcome in ("replace", "not_proved", "undecided")
    verdict = [Bit(said(outcome), "alarm" if bad else "strong")]
    notes = [
        f"U {judged['uncertainty']}" if judged.get("uncertainty") else None,
        f"sheet revision {judged['sheet_rev']}" if judged.get("sheet_rev") is not None else None,
        f"gauge {row['gauge']} {said(judged.get('gauge_state'))}" if row["gauge"] else None,
        judged.get("why"),
    ]
    verdict.append(Bit(", ".join(str(note) for note in notes if note), "quiet"))
    return [
        _number(row["entry"], numbers),
        [Bit(moment(row["at"])), Bit(row["by"], "quiet")],
        said(row["stage"]),
        row["typed"],
        "" if low is None else low if low == high else f"{low} to {high}",
        quantity(row["value"]),
        limit(judged.get("acting_limit")),
        verdict,
    ]


SPANS = (
    Column("#", 0.07, "quiet", True),
    Column("Piece", 0.35),
    Column("In", 0.2),
    Column("Out", 0.2),
    Column("Where it went", 0.18),
)


def _parts(paper: Paper, found: dict[str, Any], numbers: dict[str, int]) -> None:
    paper.heading("Parts, slot by slot")
    if not found["slots"]:
        paper.text((Bit("No part was fitted or removed.", "quiet"),))
    for slot in found["slots"]:
        paper.subheading(slot["title"] or slot["slot"], slot["slot"] if slot["title"] else "")
        paper.table(SPANS, (_span(span, numbers) for span in slot["spans"]), 7.5)
    if found["pieces"]:
        paper.subheading("Where the pieces with a serial were, over all units")
        columns = (Column("Piece", 0.26, "strong"), Column("Place", 0.34), Column("From", 0.2), Column("Until", 0.2))
        paper.table(columns, _chains(found["pieces"]), 7.5)


def _span(span: dict[str, Any], numbers: dict[str, int]) -> list[Cell]:
    pieces = [Bit(words) for piece in span["pieces"] for words in _piece_lines(piece)]
    came = moment(span["from"]) or str(span.get("unknown") or "")
    return [_number(span["entry"], numbers), pieces, came, moment(span["until"]) or "in now", said(span.get("to"))]


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


def _runs(paper: Paper, found: dict[str, Any], numbers: dict[str, int]) -> None:
    paper.heading("Runs on the stand, failed ones too")
    if not found["runs"]:
        paper.text((Bit("No run was recorded.", "quiet"),))
    for run in found["runs"]:
        judged = run["judged"]
        paper.subheading(
            f"Run {judged['run']}: {said(judged['outcome'])}",
            f"{_number(judged['entry'], numbers)}, {said(judged['stage'])}, {moment(run['at'])}, {run['by']}",
        )
        told_of = [
            f"sheet revision {judged['sheet_rev']}",
            f"stand {run['stand']}" if run.get("stand") else "",
            f"{run['minutes']} min" if run.get("minutes") is not None else "",
            *(f"{said(name)} {flat(value)}" for name, value in run["conditions"].items()),
            f"sounds: {run['sounds']}" if run.get("sounds") else "",
            f"not on the sheet: {', '.join(judged['unlisted'])}" if judged["unlisted"] else "",
            judged["why"] or "",
        ]
        paper.text((Bit("; ".join(filter(None, told_of)), "quiet"),), 8)
        paper.table(TESTS, map(_test, judged["tests"]), 7.5, "Its sheet asks for no test.")


TESTS = (
    Column("Test", 0.4),
    Column("Measured", 0.18, right=True),
    Column("Asked for", 0.2, right=True),
    Column("Outcome", 0.22),
)


def _test(test: dict[str, Any]) -> list[Cell]:
    """A test of a run: what was measured, what was asked for, what that shows."""
    passed = test.get("outcome") == "passed"
    outcome = [Bit(said(test.get("outcome")), "strong" if passed else "alarm" if test.get("blocking") else "plain")]
    if test.get("why"):
        outcome.append(Bit(str(test["why"]), "quiet"))
    value = "" if test.get("value") is None else f"{test['value']} {uom(test.get('uom'))}".strip()
    return [
        str(test.get("title") or test["test"]),
        value,
        window(test.get("low"), test.get("high"), test.get("uom")) or "ok",
        outcome,
    ]


def _corrections(paper: Paper, found: dict[str, Any], numbers: dict[str, int]) -> None:
    paper.heading("Corrections, disputes and notes")
    columns = (
        Column("#", 0.07, "quiet", True),
        Column("When", 0.18),
        Column("What", 0.17, "strong"),
        Column("About", 0.12),
        Column("What it says", 0.31),
        Column("Who", 0.15),
    )
    rows = (
        [
            str(e["index"]),
            moment(e["occurred_at"]),
            said(e["type"].partition(".")[2]),
            _number(e["data"].get("target"), numbers),
            "\n".join(told(e["type"], {k: v for k, v in e["data"].items() if k != "target"})),
            _who(e),
        ]
        for e in found["entries"]
        if e["type"] in CORRECTIONS
    )
    paper.table(columns, rows, 7.5, "Nothing was corrected.")


def _certificates(paper: Paper, found: dict[str, Any], numbers: dict[str, int]) -> None:
    paper.heading("Certificates")
    columns = (
        Column("#", 0.07, "quiet", True),
        Column("Number", 0.2, "strong"),
        Column("When", 0.2),
        Column("Signed", 0.17),
        Column("Kind", 0.13),
        Column("Its book then", 0.23),
    )
    rows = (_certificate(e, numbers) for e in found["entries"] if e["type"] in ("unit.released", "release.reissued"))
    paper.table(columns, rows, 7.5, "It was never released.")


def _certificate(line: dict[str, Any], numbers: dict[str, int]) -> list[Cell]:
    data = line["data"]
    number = [Bit(data["release"], "strong", line["mark"] == "withdrawn")]
    if data.get("replaces"):
        number += [Bit(f"replaces {data['replaces']}: {data.get('why', '')}", "quiet")]
    if line["mark"]:
        number += [Bit(f"{MARKS[line['mark']]} {_all(line['marked_by'], numbers)}", "alarm")]
    kept = data.get("certificate") or {}
    stood = "no certificate was drawn up"
    if kept.get("book"):
        stood = f"{kept['book']['size']} entries, root {kept['book']['root']}"
    elif kept.get("sha256"):
        stood = f"in the stored certificate, SHA-256 {kept['sha256']}"
    return [
        str(line["index"]),
        number,
        moment(line["occurred_at"]),
        _who(line),
        said(data.get("kind")) or "re-issued",
        (Bit(stood, "quiet"),),
    ]


def _proof(paper: Paper, found: dict[str, Any], root: str) -> None:
    paper.heading("The checkpoint", SIDE + 20)
    top = paper.y
    paper.scan(found["checkpoint"], LEFT - 3 * MM, top, SIDE)
    room = ROOM - SIDE - 2 * MM
    for line in found["checkpoint"].split("\n"):
        for shown in broken(line, "mono", 7, room):
            paper.y -= 10
            paper.write(LEFT + SIDE + 2 * MM, paper.y, shown, "mono", 7)
    paper.y = min(paper.y, top - SIDE) - 4
    altered = found["altered"]
    words = f"Every text of these entries hashes to its leaf ({len(found['entries'])} looked at while this was drawn)."
    if altered:
        words = f"NOT AS RECORDED: {', '.join(f'#{n}' for n in altered)}."
    paper.text((Bit(words, "alarm" if altered else "strong"),))
    if not found["signed"]:
        paper.text("The book has no signing key yet, so this checkpoint stands unsigned.")
    paper.pairs([("Root", (Bit(grouped(root), "mono"),))])
    paper.space(4)
    paper.text((Bit(PROOF.format(found["unit"]), "quiet"),), 8.5)
    paper.text((Bit(WHAT, "strong"),), 8.5)
