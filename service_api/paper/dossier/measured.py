"""What was measured: a drawing over the days, and every reading with the verdict of its day."""

from typing import Any

from service_api.paper import charts
from service_api.paper.dossier.index import Index
from service_api.paper.layout import MM, Bit, Cell, Column, Paper
from service_api.paper.words import limit, moment, quantity, said, uom

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


def measurements(paper: Paper, found: dict[str, Any], index: Index) -> None:
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
        paper.table(READ, (_reading(reading, index) for reading in row["readings"]), 7.5)


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


def _reading(row: dict[str, Any], index: Index) -> list[Cell]:
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
        index.number(row["entry"]),
        [Bit(moment(row["at"])), Bit(row["by"], "quiet")],
        said(row["stage"]),
        row["typed"],
        "" if low is None else low if low == high else f"{low} to {high}",
        quantity(row["value"]),
        limit(judged.get("acting_limit")),
        verdict,
    ]
