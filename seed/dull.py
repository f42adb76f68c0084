"""The depot's other classes: two dull visits of each unit, and the examinations of hoists and drills.

Nothing is wrong here.
"""

from collections.abc import Sequence
from datetime import date, timedelta
from decimal import Decimal
from typing import Any

from .depot import UNITS
from .stories import (
    BERTIL,
    FEN,
    FERRIES,
    HARL,
    ISKA,
    ORRIN,
    PELL,
    SLIPWORKS,
    WHERE,
    Day,
    Step,
    at_positions,
    every_year,
    q,
    sheet,
)

CLASSES = ("BOR", "ACH", "HPU", "HTT", "MBD", "MIL", "BAR")
VISITED = ("BOR", "ACH", "HPU", "HTT", "MBD")
FIRST, APART = date(2023, 4, 3), timedelta(days=574)  # 82 weeks
CUSTOMERS = (HARL, FERRIES, SLIPWORKS, "")
PER_VISIT = {"BOR": 620, "ACH": 300, "HPU": 410, "HTT": 900}  # hours between visits; of the torque tools, cycles

# characteristic, gauge, and what was read at the first visit and at the second: worn a little, as far as anything wears
READ: dict[str, Sequence[tuple[str, str, str, str]]] = {
    "BOR": (
        ("BOR-DW", "G-002", "59.980 59.980 59.978 59.980 59.982 59.980", "59.976 59.978 59.974 59.976 59.980 59.978"),
        ("BOR-IC", "G-022", "0.030 0.035 0.030", "0.040 0.045 0.035"),
        ("BOR-DB", "G-022", "0.005", "0.010"),
        ("BOR-AB", "G-022", "0.06 0.07 0.06", "0.09 0.10 0.09"),
        ("BOR-MD", "", "0.4", "0.6"),
        ("BOR-IR", "G-012", "180.0", "150.0"),
        ("BOR-EB", "G-013", "0.06", "0.07"),
        ("BOR-BR", "", "18.5 18.0", "15.5 15.0"),
    ),
    "ACH": (
        ("ACH-CE", "G-001", "0.1 0.1 0.2 0.1 0.1", "0.3 0.3 0.4 0.3 0.2"),
        ("ACH-CD", "G-003", "99", "98"),
        ("ACH-HT", "G-001", "38.00", "38.05"),
        ("ACH-BD", "G-003", "5.90", "5.80"),
        ("ACH-BG", "G-006", "0.50", "0.55"),
        ("ACH-VW", "G-001", "19.80 19.85 19.80 19.85 19.80", "19.40 19.45 19.40 19.40 19.45"),
        ("ACH-SH", "", "0.1", "0.1"),
        ("ACH-DU", "", "21", "29"),
    ),
    "HPU": (
        ("HPU-RP", "G-010", "698", "697"),
        ("HPU-PE", "G-010", "0.2 0.3 0.3 0.2 0.3", "0.3 0.4 0.4 0.3 0.4"),
        ("HPU-PD", "G-010", "6", "8"),
        ("HPU-FL50", "", "4.95", "4.85"),
        ("HPU-FL600", "", "0.80", "0.75"),
        ("HPU-OC-4", "", "17", "18"),
        ("HPU-OC-6", "", "15", "16"),
        ("HPU-OC-14", "", "12", "13"),
        ("HPU-IR", "G-012", "200.0", "180.0"),
        ("HPU-HA", "", "11", "30"),
    ),
    "HTT": (
        ("HTT-TE", "G-018", "0.8 0.6 0.5 0.6 0.7", "1.0 0.8 0.7 0.8 0.9"),
        ("HTT-DT", "", "0.0", "0.5"),
        ("HTT-RP", "", "1.0", "1.5"),
        ("HTT-CY", "", "900", "1800"),
        ("HTT-RC", "", "none", "none"),
    ),
    "MBD": (
        ("MBD-MP", "G-016", "12.9", "12.7"),
        ("MBD-MF", "", "0.02", "0.03"),
        ("MBD-SR", "G-022", "0.030", "0.035"),
        ("MBD-GC", "G-022", "0.03", "0.04"),
        ("MBD-RB", "", "3", "4"),
        ("MBD-BR", "", "16.0 16.5", "13.0 13.5"),
        ("MBD-IR1", "G-012", "200.0", "170.0"),
        ("MBD-IR2", "G-012", "300.0", "260.0"),
        ("MBD-EB", "G-013", "0.06", "0.07"),
    ),
}
SOURCE = {
    "BOR": ("hydraulic supply", "hoses parted at the bench, relief opened"),
    "ACH": ("line air", "vented at the hoist, pendant cycled twice"),
    "HPU": ("hydraulic pressure", "unit stopped, valve cycled, gauge on zero"),
    "HTT": ("hydraulic pressure", "couplers parted, tool retracted"),
    "MBD": ("mains", "plug drawn and locked"),
}


def holds_for(row: dict[str, Any], variant: str) -> bool:
    return "variants" not in row or variant in row["variants"]


def passed(class_: str, variant: str) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    """The conditions and results of a run in the middle of every window of the sheet."""
    conditions: dict[str, Any] = {}
    results: list[dict[str, Any]] = []
    for test in sheet(class_)["tests"]:
        if not holds_for(test, variant):
            continue
        for name, window in test.get("conditions", {}).items():
            conditions[name] = q(_middle(window), window["uom"])
        if "low" not in test and "high" not in test:
            results.append({"test": test["test"], "answer": "ok"})
        elif "count" in test:
            results.append({"test": test["test"], "values": [q(_middle(test), test["uom"])] * test["count"]})
        else:
            results.append({"test": test["test"], "value": q(_middle(test), test["uom"])})
    return conditions, results


def _middle(window: dict[str, Any]) -> str:
    """Between the edges; half of what is allowed where only one edge stands, and a tenth above a lower edge."""
    low, high = window.get("low"), window.get("high")
    if low is not None and high is not None:
        return str((Decimal(low) + Decimal(high)) / 2)
    if window["uom"] == "dB[SPL]":
        return str(Decimal(high) - 4)
    return str(Decimal(high) / 2) if low is None else low if window["uom"] == "1" else str(Decimal(low) * 110)


def serviced(
    steps: list[Step],
    unit: dict[str, Any],
    number: int,
    on: date,
    bench: str,
    came_from: str,
    hours: str = "",
    read: dict[str, str] | None = None,
) -> Day:
    """Arrival, readings, checks and final run of one planned service; the day goes on.

    number : 0 for the first visit and 1 for the second, which says what is read
    hours, read : where a story tells what the meter and these characteristics showed, as found
    """
    ident, class_, variant = unit["id"], unit["class"], unit.get("variant", "")
    tag = f"{on:%Y%m%d}"
    job = f"J-{tag}-{ident}"
    day = Day(steps, f"unit:{ident}", on.isoformat(), "08:15", bench, site="port-cendry")
    arrival = {"site": "port-cendry", "reason": "planned service"} | ({"customer": came_from} if came_from else {})
    day.add("unit.received", arrival, by=BERTIL)
    day.add("tag.scanned", {"place": "bench"}, tag=f"@tag:{ident}", tag_read="scanned")
    day.add("job.opened", {"job": job, "purpose": "service"}, job=job)
    day.add("caution.shown", {"caution": "stored-energy", "revision": 1}, job=job)
    source, how = SOURCE[class_]
    if variant == "E":
        source, how = "mains", "plug drawn and locked"
    isolated = {"source": source, "device": "at the bench", "released_how": how, "proof": {"method": "tried to start"}}
    day.add("energy.isolated", isolated, job=job, minutes=20)
    for meter in unit["meters"]:
        count = Decimal(meter["start"]) + PER_VISIT[class_] * (number + 1)
        value = q(hours or str(count), meter["uom"])
        shown = "estimated" if unit.get("estimated") else "read"
        day.add("meter.read", {"meter": meter["meter"], "value": value, "how": shown}, job=job)
    rows = {c["code"]: c for c in sheet(class_)["characteristics"]}
    for code, gauge, *figures in READ[class_]:
        row = rows[code]
        if not holds_for(row, variant):
            continue
        figure, stage = figures[number], "as_left"
        if read is not None and code in read:
            figure, stage = read[code], "as_found"
        readings: list[dict[str, Any]] = (
            at_positions(figure, row["positions"]) if "positions" in row else [{"value": figure.split()[0]}]
        )
        if row["kind"] == "choice":
            readings = [{"value": {"word": figure}}]
        taken = {"characteristic": code, "stage": stage, "uom": row["uom"], "readings": readings}
        day.add("reading.taken", taken | ({"gauge": gauge} if gauge else {}), job=job, minutes=6)
    for check in sheet(class_)["checks"]:
        if holds_for(check, variant):
            day.add("check.answered", {"check": check["check"], "answer": "ok"}, job=job, minutes=1)
    day.add("energy.restored", {"source": source}, job=job)
    conditions, results = passed(class_, variant)
    run = {"run": f"R-{tag}-1", "stage": "final", "stand": "port-cendry-1", "sheet_rev": revision(class_, on)}
    run |= {"conditions": conditions, "results": results, "minutes": 25, "sounds": "even, no knock"}
    day.add("run.recorded", run, job=job, by=FEN, minutes=25)
    day.add("job.closed", {"job": job}, job=job)
    day.tell()
    return day


def visit(unit: dict[str, Any], number: int, on: date, customer: str, came_from: str, signer: str = ISKA) -> list[Step]:
    """One planned service, its release and its dispatch, on one day and the next."""
    steps: list[Step] = []
    ident, class_ = unit["id"], unit["class"]
    tag = f"{on:%Y%m%d}"
    job, release = f"J-{tag}-{ident}", f"REL-{tag}-{ident}"
    bench = ORRIN if signer == PELL or not number else PELL
    day = serviced(steps, unit, number, on, bench, came_from)
    other = ISKA if signer == PELL else PELL if bench == ORRIN else ORRIN
    second = {"second": other} if sheet(class_)["release"]["second_person"] else {}
    until = (on + APART).isoformat()
    back = min(until, examination_due(class_, on) or until)
    hire = {"hire": {"from": (on + timedelta(days=1)).isoformat(), "until": back}} if customer else {}
    day.add("service.planned", {"due_on": until, "why": "agreed at the service before"}, by=BERTIL)
    day.add("unit.released", {"release": release, "job": job, "kind": "full"} | hire | second, by=signer, job=job)
    day.tell()
    if customer:
        out = Day(steps, f"unit:{ident}", (on + timedelta(days=1)).isoformat(), "09:10", BERTIL, site="port-cendry")
        out.add("unit.dispatched", {"to": customer, "site": WHERE[customer], "release": release} | hire)
        out.tell()
    return steps


def revision(class_: str, on: date) -> int:
    """Hoists: revision 3 lowers the limit of the chain from 2025 on; before it stood revision 2."""
    return 1 if class_ != "ACH" else 3 if on >= date(2025, 1, 1) else 2


def sheets() -> list[tuple[str, int, str, dict[str, Any]]]:
    """Class, revision, the day it holds from, and the sheet."""
    issued = [(c, 1, "2022-03-01", sheet(c)) for c in CLASSES if c != "ACH"]
    now = sheet("ACH")
    rows = [c | {"replace": "2.5"} if c["code"] == "ACH-CE" else c for c in now["characteristics"]]
    return [*issued, ("ACH", 2, "2022-03-01", now | {"characteristics": rows}), ("ACH", 3, "2025-01-01", now)]


# What the stories of seed/rebuilt.py and seed/hoists.py tell instead
TOLD_ELSEWHERE = {("BOR-002", 1), ("ACH-002", 1), ("ACH-004", 1), ("ACH-005", 1)}
EXAMINED = {"ACH-002": ["2022-09-30", "2023-09-30", "2024-09-13", "2025-09-12"]}
SCRAPPED = {"ACH-005": date(2024, 8, 14)}
SIGNED_IN_TIME = ("ACH-003", 1)  # by Pell, while he might
EXAMS = {"ACH": ("thorough", "2022-09-30"), "MBD": ("electrical", "2022-06-01")}  # the first of each


def examination_due(class_: str, on: date) -> str | None:
    """The day on which the next examination is due: no hire runs beyond it."""
    if class_ not in EXAMS:
        return None
    first = date.fromisoformat(EXAMS[class_][1])
    return next(d.isoformat() for n in range(9) if (d := first.replace(year=first.year + n)) > on)


def examinations(until: date) -> list[Step]:
    """Hoists on 30 September and drills on 1 June of every year, in date up to `until`."""
    steps: list[Step] = []
    for unit in UNITS:
        if unit["class"] not in EXAMS:
            continue
        exam, first = EXAMS[unit["class"]]
        last = SCRAPPED.get(unit["id"], until)
        for on in every_year(EXAMINED.get(unit["id"], [first]), last):
            if date.fromisoformat(on) > last:
                continue
            day = Day(steps, f"unit:{unit['id']}", on, "07:20", ISKA)  # wherever it stands
            due = date.fromisoformat(on).replace(year=int(on[:4]) + 1).isoformat()
            data = {"exam": exam, "examiner": "outside competent person", "result": "pass", "due_next": due}
            day.add("exam.recorded", data | {"certificate": f"EX-{on[:4]}-{unit['id']}"})
            day.tell()
    return steps


def steps(until: date) -> list[Step]:
    """Everything of these classes but the units' registration."""
    told: list[Step] = []
    for minute, (class_, rev, effective_on, body) in enumerate(sheets()):
        day = Day(told, f"class:{class_}", effective_on, f"08:{minute:02d}", ISKA)
        day.add("sheet.issued", {"rev": rev, "effective_on": effective_on, "sheet": body}, minutes=1)
        day.tell()
    told += examinations(until)
    dull = [u for u in UNITS if u["class"] in VISITED]
    for place, unit in enumerate(dull):
        came_from = ""
        for number in (0, 1):
            if (unit["id"], number) in TOLD_ELSEWHERE:
                continue
            on = FIRST + timedelta(days=7 * place) + APART * number
            customer = CUSTOMERS[(place + number) % len(CUSTOMERS)]
            signer = PELL if (unit["id"], number) == SIGNED_IN_TIME else ISKA
            told += visit(unit, number, on, customer, came_from, signer)
            came_from = customer
    return told
