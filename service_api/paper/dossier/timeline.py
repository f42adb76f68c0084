"""The history, entry by entry, and what it holds of corrections and certificates."""

from datetime import UTC, datetime
from typing import Any

from service_api.paper import charts
from service_api.paper.dossier.index import CORRECTIONS, Index
from service_api.paper.entries import told
from service_api.paper.layout import Bit, Cell, Column, Paper
from service_api.paper.words import moment, said

MARKS = {
    "superseded": "replaced by",
    "withdrawn": "withdrawn by",
    "moved_out": "moved to another page by",
    "moved_in": "moved here by",
}
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


def timeline(paper: Paper, found: dict[str, Any], index: Index) -> None:
    paper.heading("History, every entry in the order of its moment")
    paper.text((Bit(KEY, "quiet"),), 8)
    paper.table(TIMELINE, (_entry(line, index) for line in found["entries"]), 7.5, "No entry is to be shown.")


def _entry(line: dict[str, Any], index: Index) -> list[Cell]:
    struck = line["mark"] in ("superseded", "withdrawn", "moved_out")
    what = [Bit(said(line["type"].replace(".", " ")), "strong", struck)]
    what += [Bit(words, struck=struck) for words in index.says(line)]
    if line["mark"]:
        what.append(Bit(f"{MARKS[line['mark']]} {index.numbers(line['marked_by'])}", "alarm"))
    if "data_now" in line and line["counts"]:
        what += [Bit(f"now: {words}") for words in told(line["type"], line["data_now"])]
    if line["type"] in CORRECTIONS and "target" in line["data"]:
        what.append(Bit(f"about {index.number(line['data']['target'])}", "strong"))
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


def corrections(paper: Paper, found: dict[str, Any], index: Index) -> None:
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
            index.number(e["data"].get("target")),
            "\n".join(index.says(e)),
            _who(e),
        ]
        for e in found["entries"]
        if e["type"] in CORRECTIONS
    )
    paper.table(columns, rows, 7.5, "Nothing was corrected.")


def certificates(paper: Paper, found: dict[str, Any], index: Index) -> None:
    paper.heading("Certificates")
    columns = (
        Column("#", 0.07, "quiet", True),
        Column("Number", 0.2, "strong"),
        Column("When", 0.2),
        Column("Signed", 0.17),
        Column("Kind", 0.13),
        Column("Its book then", 0.23),
    )
    rows = (_certificate(e, index) for e in found["entries"] if e["type"] in ("unit.released", "release.reissued"))
    paper.table(columns, rows, 7.5, "It was never released.")


def _certificate(line: dict[str, Any], index: Index) -> list[Cell]:
    data = line["data"]
    number = [Bit(data["release"], "strong", line["mark"] == "withdrawn")]
    if data.get("replaces"):
        number += [Bit(f"replaces {data['replaces']}: {data.get('why', '')}", "quiet")]
    if line["mark"]:
        number += [Bit(f"{MARKS[line['mark']]} {index.numbers(line['marked_by'])}", "alarm")]
    kept = data.get("certificate") or {}
    stood = "signed away from the gate: its certificate is drawn from what the book held then"
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
