"""Runs on the stand, test by test, failed ones too."""

from typing import Any

from service_api.paper.dossier.index import Index
from service_api.paper.entries import flat
from service_api.paper.layout import Bit, Cell, Column, Paper
from service_api.paper.words import moment, said, uom, window

TESTS = (
    Column("Test", 0.4),
    Column("Measured", 0.18, right=True),
    Column("Asked for", 0.2, right=True),
    Column("Outcome", 0.22),
)


def runs(paper: Paper, found: dict[str, Any], index: Index) -> None:
    paper.heading("Runs on the stand, failed ones too")
    if not found["runs"]:
        paper.text((Bit("No run was recorded.", "quiet"),))
    for run in found["runs"]:
        judged = run["judged"]
        paper.subheading(
            f"Run {judged['run']}: {said(judged['outcome'])}",
            f"{index.number(judged['entry'])}, {said(judged['stage'])}, {moment(run['at'])}, {run['by']}",
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
