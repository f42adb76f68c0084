"""A release certificate on paper: the frozen facts as its JSON has them, and what its book was then, to scan.

The JSON is the certificate. What stands here is its picture, drawn once.
"""

import json
from collections.abc import Iterable, Sequence
from typing import Any

from service_api.paper.layout import LEFT, MM, RIGHT, ROOM, WIDE, Bit, Cell, Column, Paper, fitting
from service_api.paper.words import grouped, hours, limit, moment, quantity, said, uom

KINDS = {"full": "Full release", "with_concession": "Release with concession"}
WHAT = (
    "This certificate states what the book held about the unit when it was released. It does not authorise work, "
    "and it stands beside the machine's manual, site rules and the persons licensed or appointed where you are: "
    "follow them."
)
CAUTIONS = (
    "Before the machine is used: read its manual, fit its guards, isolate and lock every source of energy before "
    "hands go in, and let pressure and springs down. A finding or an examination that comes after this day outranks"
    " this paper."
)
CHECK = (
    "Anybody can check that the book still begins with what it held then: keep this paper, scan the square into a "
    "file, and run `fettlebook-audit check --against FILE` on a copy of the book. One changed byte before this "
    "release shows."
)
SIDE = 34 * MM
BAD = ("replace", "not_proved", "undecided")


def draw(certificate: dict[str, Any], origin: str, replaces: str | None = None, why: str | None = None) -> bytes:
    """The certificate as PDF, A4.

    certificate : as frozen by the release (CONTRACT C); origin : the name of its book
    replaces, why : the number that a re-issued certificate stands for, and the reason
    """
    number, unit = certificate["release"], certificate["unit"]
    book = certificate["book"]
    paper = Paper(
        f"Release certificate {number} of {unit}",
        (f"Release certificate {number} · unit {unit}", origin),
        f"Book {origin}, entry {book['index']}, after {book['size']} entries with root {str(book['root'])[:16]}…",
        f"Unit {unit}",
    )
    _title(paper, certificate, origin)
    if replaces:
        paper.callout(f"Replaces certificate {replaces}, which no longer counts{f': {why}' if why else ''}", 9)
    if certificate.get("issued") == "late":
        paper.callout(
            "Signed away from the book and issued when it arrived: facts up to its moment, as known to the signer."
        )
    if certificate["kind"] == "with_concession":
        paper.callout(
            "Released with a known departure. It may be used only as the concessions below say, and until they end."
        )
    _readings(paper, certificate.get("readings") or ())
    _checks(paper, certificate)
    _runs(paper, certificate.get("runs") or ())
    _open_matters(paper, certificate)
    _proof(paper, certificate, origin)
    return paper.finish()


def _title(paper: Paper, found: dict[str, Any], origin: str) -> None:
    top = paper.y
    paper.scan(scanned(found, origin), WIDE - RIGHT - SIDE, top + 3 * MM, SIDE)
    paper.y -= 8
    paper.write(LEFT, paper.y, "RELEASE CERTIFICATE", "quiet", 8.5)
    paper.y -= 25
    size = fitting(found["release"], "strong", 24, ROOM - SIDE - 4 * MM)
    paper.write(LEFT, paper.y, found["release"], "strong", size)
    paper.y -= 18
    paper.write(LEFT, paper.y, KINDS.get(found["kind"], said(found["kind"])), "plain", 11)
    paper.y -= 8
    room = ROOM - SIDE - 4 * MM
    paper.pairs(
        [
            ("Unit", (Bit(found["unit"], "strong"), Bit(_iron(found), "quiet"))),
            ("Released", moment(found["at"])),
            ("Signed by", _signer(found, found["by"])),
            ("Second person", _signer(found, found.get("second")) or "none"),
        ],
        room=room,
    )
    paper.y = min(paper.y, top - SIDE)
    paper.pairs(
        [
            ("Job", found.get("job") or "none"),
            ("Sheet", f"revision {found['sheet_rev']}" if found.get("sheet_rev") is not None else "none in force"),
            ("Hours", hours(found.get("hours"))),
            *(
                (("Hire", f"{h['from'] or moment(found['at'])[:10]} to {h['until']}"),)
                if (h := found.get("hire"))
                else ()
            ),
        ]
    )
    paper.space(4)


def _iron(found: dict[str, Any]) -> str:
    return f"class {found['class']}" + (f", serial {found['serial']}" if found.get("serial") else "")


def _signer(found: dict[str, Any], person: str | None) -> Cell:
    """Who signed, and what they were authorised to that day."""
    if person is None:
        return ""
    tasks = [a["task"] for a in found.get("authorised") or () if a["person"] == person]
    return (Bit(person), Bit(f"authorised that day: {', '.join(tasks) or 'nothing is on record'}", "quiet"))


def scanned(certificate: dict[str, Any], origin: str) -> str:
    """What the square says: the certificate's number and its place in the book, in the JSON that a check reads."""
    return json.dumps(
        {"release": certificate["release"], "origin": origin, "book": certificate["book"]}, separators=(",", ":")
    )


READINGS = (
    Column("Characteristic", 0.3),
    Column("Value", 0.14, right=True),
    Column("Limit", 0.11, right=True),
    Column("Acts", 0.11, right=True),
    Column("U", 0.09, right=True),
    Column("Verdict", 0.25),
)


def _readings(paper: Paper, readings: Sequence[dict[str, Any]]) -> None:
    paper.heading("Readings")
    paper.table(READINGS, map(_reading, readings), none="No reading stood on the sheet.")


def _reading(row: dict[str, Any]) -> list[Cell]:
    judged = row.get("conformity") or {}
    title = row.get("title")
    taken = f"{row['characteristic']}, {said(row['stage'])}, {moment(row['at'])}"
    name = [Bit(title or row["characteristic"]), Bit(taken, "quiet")]
    verdict = [Bit(said(judged.get("outcome")), "alarm" if judged.get("outcome") in BAD else "strong")]
    notes = [judged.get("why"), f"gauge {row['gauge']} {said(judged.get('gauge_state'))}" if row["gauge"] else None]
    verdict += [Bit(str(note), "quiet") for note in notes if note]
    shown = "" if row["value"] is None else f"{row['value']} {uom(row['uom'])}".strip()
    return [
        name,
        shown or "no figure",
        limit(judged.get("limit")),
        limit(judged.get("acting_limit")),
        limit(judged.get("uncertainty")),
        verdict,
    ]


RUNS = (
    Column("Run", 0.3, "strong"),
    Column("When, who", 0.32),
    Column("Stage", 0.12),
    Column("Outcome", 0.26),
)


def _runs(paper: Paper, runs: Sequence[dict[str, Any]]) -> None:
    paper.heading("Runs on the stand, failed ones too")
    paper.table(RUNS, map(_run, runs), none="No run was recorded in its job.")


def _run(run: dict[str, Any]) -> list[Cell]:
    outcome = [Bit(said(run["outcome"]), "strong" if run["outcome"] == "passed" else "alarm")]
    if run.get("failed"):
        outcome.append(Bit(f"failed: {', '.join(run['failed'])}", "quiet"))
    outcome.append(Bit(f"sheet revision {run['sheet_rev']}", "quiet"))
    return [run["run"], [Bit(moment(run["at"])), Bit(run["by"], "quiet")], said(run["stage"]), outcome]


CHECKS = (Column("Check", 0.5), Column("Answer", 0.18, "strong"), Column("Why", 0.32, "quiet"))


def _checks(paper: Paper, found: dict[str, Any]) -> None:
    paper.heading("Checks and settings left")
    paper.table(CHECKS, map(_check, found.get("checks") or ()), none="Its sheet asks for no check.")
    settings = found.get("settings") or ()
    if settings:
        columns = (Column("Setting", 0.5), Column("Left at", 0.18, "strong"), Column("Seal", 0.32, "quiet"))
        paper.table(columns, ([s["setting"], quantity(s["value"]), s.get("seal") or "none"] for s in settings))


def _check(check: dict[str, Any]) -> list[Cell]:
    fine = check["answer"] in ("ok", "not_applicable")
    return [check["title"], [Bit(said(check["answer"]), "strong" if fine else "alarm")], check.get("why") or ""]


def _open_matters(paper: Paper, found: dict[str, Any]) -> None:
    paper.heading("Findings, concessions, examinations, what is due")
    rows: Iterable[list[Cell]] = [
        *(["Finding", f["finding"], _finding(f)] for f in found.get("findings") or ()),
        *(["Concession", c["concession"], _concession(c)] for c in found.get("concessions") or ()),
        *(["Examination", e["exam"], _exam(e)] for e in found.get("exams") or ()),
        *(["Due", d["what"], _due(d)] for d in found.get("due") or ()),
    ]
    columns = (Column("", 0.16, "quiet"), Column("Number", 0.22), Column("What it says", 0.62))
    paper.table(columns, rows, none="Nothing is open, conceded or due.")


def _finding(row: dict[str, Any]) -> Cell:
    under = f"let go under concession {row['concession']}" if row.get("concession") else ""
    about = [row.get("slot") or "", "blocks use" if row.get("blocking") else "does not block", under]
    return [Bit(row["words"]), Bit(", ".join(filter(None, about)), "quiet")]


def _concession(row: dict[str, Any]) -> Cell:
    ends = [f"until {row['until_on']}" if row.get("until_on") else ""]
    ends += [f"until {quantity(row['until_hours'])} on the meter" if row.get("until_hours") else ""]
    return [Bit(str(row.get("why", ""))), Bit(", ".join(filter(None, ends)), "strong")]


def _exam(row: dict[str, Any]) -> Cell:
    due = row.get("due_next")
    return [
        Bit(said(row.get("result")) or "not examined yet"),
        *([Bit(f"due again on {quantity(due)}", "quiet")] if due else []),
    ]


def _due(row: dict[str, Any]) -> Cell:
    at = [str(row["on"])] if row.get("on") else []
    at += [f"{row['hours']} h"] if row.get("hours") else []
    return " or at ".join(at) or "no day is set"


def _proof(paper: Paper, found: dict[str, Any], origin: str) -> None:
    book = found["book"]
    paper.heading("Its place in the book", 40 * MM)
    paper.pairs(
        [
            ("Book", origin),
            ("This release", f"entry {book['index']}"),
            ("Size before it", f"{book['size']} entries"),
            ("Root before it", (Bit(grouped(str(book["root"])), "mono"),)),
        ]
    )
    paper.space(4)
    paper.text((Bit(CHECK, "quiet"),), 9)
    paper.text((Bit(CAUTIONS),), 8.5)
    paper.text((Bit(WHAT, "strong"),), 8.5)
