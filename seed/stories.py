"""What the demo book hears and when: JOB.md 8.1, S1, S4, S9 and S10 (to contested), among dull and healthy units.

No randomness.
"""

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta, timezone
from functools import cache
from pathlib import Path
from typing import Any

from .depot import GAUGES, UNITS

HERE = Path(__file__).parent
LOCAL = timezone(timedelta(hours=1))
ORRIN, PELL, FEN, JUNO = "orrin.tamsley", "pell.marrowby", "fen.quillary", "juno.sarrat"
BERTIL, ISKA = "bertil.oake-lund", "iska.thornwell"
HARL, FERRIES, SLIPWORKS = "harl-tidal-array", "sound-skerry-ferries", "cendry-slipworks"
WHERE = {HARL: "harl-array", FERRIES: "ferry-yard", SLIPWORKS: "slipway"}  # where the customers work
NUT = {
    "SEL": ("CSN-FN-20", "CF-2202-20"),
    "FAC": ("CSN-FN-30", "CF-2202-30"),
    "BOR": ("CSN-FN-25", "CF-2202-25"),
}  # part number and lot, by class
VANES = "VN-2311-C"  # the lot of S2; its second set goes into FAC-006 under the label of FAC-003
ARM_BEARING = "arm-bearing-pack"
LATER_NUT = "CF-2503-20"  # the lot that came sixteen weeks after 3 December 2024


@dataclass(frozen=True)
class Step:
    """What the book hears at one moment; entries are as a client sends them, without `id`."""

    heard: str
    entries: tuple[dict[str, Any], ...]


@cache
def sheet(class_: str) -> dict[str, Any]:
    loaded: dict[str, Any] = json.loads((HERE / "sheets" / f"{class_}.json").read_text(encoding="utf-8"))
    return loaded


def q(value: str, uom: str) -> dict[str, str]:
    return {"value": value, "uom": uom}


def bearing(serial: str) -> dict[str, Any]:
    return {"part_no": "HLB-AB30", "serial": serial, "qty": 1}


def at_positions(values: str, positions: Sequence[str]) -> list[dict[str, str]]:
    return [{"value": v, "position": p} for v, p in zip(values.split(), positions, strict=True)]


class Day:
    """One day's work on one subject: entries with a running clock, handed to the book at each `tell`."""

    def __init__(self, steps: list[Step], subject: str, on: str, start: str, by: str, **common: Any) -> None:
        self.steps, self.subject, self.by = steps, subject, by
        self.now = datetime.fromisoformat(f"{on}T{start}:00").replace(tzinfo=LOCAL)
        self.common = common
        self.held: list[dict[str, Any]] = []

    def add(self, type_: str, data: dict[str, Any], *, by: str = "", minutes: int = 4, **more: Any) -> None:
        entry = {"type": type_, "v": 1, "subject": self.subject, "occurred_at": self.now.isoformat()}
        self.held.append({**entry, "by": by or self.by, **self.common, **more, "data": data})
        self.now += timedelta(minutes=minutes)

    def tell(self, days_later: int = 0, at: str = "") -> None:
        """The book hears what was held back: now, or some days later, or at a time of that day."""
        heard = self.now + timedelta(days=days_later)
        if at:
            heard = datetime.combine(heard.date(), time.fromisoformat(at), LOCAL)
        self.steps.append(Step(heard.isoformat(), tuple(self.held)))
        self.held = []
        self.now += timedelta(minutes=10)


def stand_results(class_: str, n: int) -> list[dict[str, Any]]:
    """A healthy final run; `n` only moves the last digits about."""
    fine = [q("0.09" if (i + n) % 3 == 0 else "0.10", "mm/{rev}") for i in range(20)]
    if class_ == "SEL":
        return [
            {"test": "start-pressure", "value": q(f"1.{3 + n % 4}", "bar"), "gauge": "G-009"},
            {"test": "free-speed", "value": q(str(59 + n % 4), "{rev}/min")},
            {"test": "air-use", "value": q(f"{25 + n % 3}.5", "L/s")},
            {"test": "feed-mean", "values": fine},
            {"test": "feed-spread", "values": fine},
            {"test": "feed-missed", "value": q("0", "1")},
            {"test": "leak-down", "value": q(f"0.1{n % 5}", "bar"), "gauge": "G-009", "at_s": 60},
            {"test": "gearbox-rise", "value": q(str(24 + n % 5), "K"), "at_s": 900},
            {"test": "noise", "value": q(str(83 + n % 3), "dB[SPL]"), "gauge": "G-014"},
            {"test": "throttle-stop", "value": q(f"1.{n % 4}", "s")},
        ]
    fine = [q("0.24" if (i + n) % 4 == 0 else "0.25", "mm/{rev}") for i in range(20)]
    coarse = [q("0.79" if (i + n) % 5 == 0 else "0.80", "mm/{rev}") for i in range(20)]
    slips = [q(v, "N.m") for v in ("79", str(80 + n % 2), "81")]
    return [
        {"test": "dead-man-stop", "value": q("0.3", "s")},
        {"test": "free-speed", "value": q(str(23 + n % 3), "{rev}/min")},
        {"test": "start-pressure", "value": q(f"1.{2 + n % 4}", "bar"), "gauge": "G-009"},
        {"test": "feed-fine-mean", "values": fine},
        {"test": "feed-fine-missed", "value": q("0", "1")},
        {"test": "feed-coarse-mean", "values": coarse},
        {"test": "feed-coarse-missed", "value": q("0", "1")},
        {"test": "clutch-least", "values": slips, "gauge": "G-007"},
        {"test": "clutch-greatest", "values": slips, "gauge": "G-007"},
        {"test": "leak-down", "value": q(f"0.1{n % 5}", "bar"), "gauge": "G-009", "at_s": 60},
        {"test": "brake-drift", "value": q("0", "mm")},
        {"test": "noise", "value": q(str(84 + n % 3), "dB[SPL]"), "gauge": "G-014"},
    ]


@dataclass(frozen=True)
class Visit:
    """One visit to the bench, and what makes it differ from a dull one.

    backlash : three readings along the travel; empty when nobody measured
    extra : characteristic, uom, readings, gauge
    to : where it goes the day after; nothing: it stays on the shelf
    due : the plan made at the end
    late : days until the paper card was typed; then nothing is released
    """

    unit: str
    on: str
    hours: str
    backlash: str
    to: str = ""
    due: str = ""
    by: str = ORRIN
    site: str = "port-cendry"
    extra: tuple[tuple[str, str, str, str], ...] = ()
    new_nut: str = ""
    card: str = ""
    late: int = 0
    device: str = ""


def visit_steps(visit: Visit, came_from: str) -> list[Step]:
    """Arrival, strip and measuring, checks, final run, release and dispatch of one planned service."""
    steps: list[Step] = []
    class_, tag = visit.unit[:3], visit.on.replace("-", "")
    n = int(visit.unit[4:]) + int(tag)
    job, run, release = f"J-{tag}-{visit.unit}", f"R-{tag}-1", f"REL-{tag}-{visit.unit}"
    field = visit.site == "kelderwick"
    dial = "G-023" if field else "G-022"
    stand_by = visit.by if field else FEN
    common: dict[str, Any] = {"site": visit.site}
    if visit.late:
        common |= {"typed_by": BERTIL, "source": {"kind": "paper", "ref": visit.card}}
    work: dict[str, Any] = {"job": job, "bench": "bench-2" if field else "bench-1"}
    if visit.device:
        work["device"] = {"id": visit.device}
    day = Day(steps, f"unit:{visit.unit}", visit.on, "08:05", visit.by, **common)

    arrival = {"site": visit.site, "reason": "back from hire, planned service" if came_from else "planned service"}
    day.add("unit.received", arrival | ({"customer": came_from} if came_from else {}), by=BERTIL, minutes=12)
    read_how: dict[str, Any] = {"tag": f"@tag:{visit.unit}", "tag_read": "typed" if visit.late else "scanned"}
    day.add("tag.scanned", {"place": "bench"}, **read_how)
    if not visit.late:
        day.tell()

    hours = q(visit.hours, "h")
    day.add("job.opened", {"job": job, "purpose": "service"}, **work)
    day.add("caution.shown", {"caution": "stored-energy", "revision": 1}, **work)
    day.add("caution.shown", {"caution": "trapped-air", "revision": 1}, **work)
    lock = f"L-{n % 30 + 1:02d}"
    isolated = {
        "source": "line air",
        "device": "ball valve at the bench",
        "lock": lock,
        "released_how": "vented at the tool, control cycled twice",
        "proof": {"method": "gauge at the inlet", "reading": q("0.0", "bar")},
    }
    day.add("energy.isolated", isolated, minutes=25, **work)
    if visit.backlash:
        readings = at_positions(visit.backlash, ("25", "50", "75"))
        found = {"characteristic": f"{class_}-BL", "stage": "as_found", "uom": "circ", "readings": readings}
        day.add("reading.taken", found | {"gauge": dial, "hours": hours}, minutes=12, **work)
    else:
        day.add("meter.read", {"meter": "hours", "value": hours, "how": "read"}, **work)
    for code, uom, values, gauge in visit.extra:
        positions = next(c for c in sheet(class_)["characteristics"] if c["code"] == code).get("positions")
        readings = at_positions(values, positions) if positions else [{"value": v} for v in values.split()]
        found = {"characteristic": code, "stage": "as_found", "uom": uom, "readings": readings}
        day.add("reading.taken", found | {"gauge": gauge, "hours": hours}, minutes=10, **work)
    if visit.new_nut:
        new_nut(day, visit, f"F-{tag}-1", hours, work)
    blanks = 0
    for check in sheet(class_)["checks"]:
        if not check["blocking"]:
            blanks += 1
            if (n + blanks) % 3 == 0:
                continue  # a blank: nobody answered this line
            if (n + blanks) % 7 == 0:
                gone = {"check": check["check"], "answer": "not_reachable", "why": "hidden by the case fittings"}
                day.add("check.answered", gone, minutes=1, **work)
                continue
        day.add("check.answered", {"check": check["check"], "answer": "ok"}, minutes=1, **work)
    if class_ == "SEL":
        day.add("setting.left", {"setting": "gib-drag", "value": q(str(30 + n % 7), "N")}, **work)
    else:
        day.add("setting.left", {"setting": "clutch-slip", "value": q("80", "N.m")}, **work)
    day.add("energy.restored", {"source": "line air", "lock": lock}, **work)
    if not visit.late:
        day.tell()

    final = {
        "run": run,
        "stage": "final",
        "stand": "kelderwick-1" if field else "port-cendry-1",
        "sheet_rev": 1,
        "conditions": {
            "supply_pressure": q("6.30", "bar"),
            "shut_in_pressure": q("6.00", "bar"),
            "ambient": q(str(14 + n % 6), "Cel"),
            "background_noise": q("58", "dB[SPL]"),
        },
        "results": stand_results(class_, n),
        "minutes": 25,
        "sounds": "even, no knock",
    }
    day.add("run.recorded", final, by=stand_by, minutes=25, **{k: v for k, v in work.items() if k != "device"})
    day.add("job.closed", {"job": job}, **work)
    if visit.due:
        day.add("service.planned", {"due_on": visit.due, "why": "agreed at the service before"}, by=BERTIL)
    if visit.late:
        day.tell(visit.late)
        return steps
    day.tell()
    next_day = (date.fromisoformat(visit.on) + timedelta(days=1)).isoformat()
    hire = {"from": next_day, "until": visit.due} if visit.to else None
    signed = {"release": release, "job": job, "kind": "full"} | ({"hire": hire} if hire else {})
    day.add("unit.released", signed, by=ISKA, job=job)
    day.tell()
    if visit.to:
        out = Day(steps, f"unit:{visit.unit}", next_day, "09:10", BERTIL, **common)
        out.add("unit.dispatched", {"to": visit.to, "site": WHERE[visit.to], "hire": hire, "release": release})
        out.tell()
    return steps


def new_nut(day: Day, visit: Visit, finding: str, hours: dict[str, str], work: dict[str, Any]) -> None:
    """S1, 15 April 2025: the nut goes before it reaches its acting limit."""
    part_no, old_lot = NUT[visit.unit[:3]]
    raised = {
        "finding": finding,
        "words": "Backlash 0.30 turn, even along the travel: the nut, as the trend said in December.",
        "slot": "feed-nut",
        "mode": "MD-DUE",
        "mechanism": "MC-WRA",
        "cause": "CS-AGE",
        "confidence": "likely",
        "detection": "DT-TRD",
        "blocking": True,
    }
    day.add("finding.raised", raised, **work)
    old = {"slot": "feed-nut", "pieces": [{"part_no": part_no, "lot": old_lot, "qty": 1}], "to": "scrap"}
    day.add("part.removed", old | {"why": "worn, before the limit", "finding": finding}, minutes=40, **work)
    fresh = {"part_no": part_no, "lot": visit.new_nut, "qty": 1, "condition": "new"}
    fitted = {"slot": "feed-nut", "pieces": [fresh], "from": "stock", "finding": finding}
    day.add("part.fitted", fitted, minutes=30, ref=f"nut-{visit.unit}-{visit.on}", **work)
    left: dict[str, Any] = {
        "characteristic": "SEL-BL",
        "stage": "as_left",
        "uom": "circ",
        "gauge": "G-022",
        "hours": hours,
    }
    left["readings"] = at_positions("0.04 0.04 0.03", ("25", "50", "75"))
    day.add("reading.taken", left, minutes=12, **work)
    closed = {"finding": finding, "how": "cured", "by_entries": [f"@nut-{visit.unit}-{visit.on}"]}
    day.add("finding.closed", closed, **work)


# SEL-004 is S1 (its worm play on 5 December 2023 and 18 June 2024 is rows 7 and 18 of S3), SEL-007 the missed twin,
# SEL-003 the look-alike. All other figures are dull on purpose.
VISITS = [
    Visit(
        "SEL-004",
        "2022-05-10",
        "212.0",
        "0.06 0.05 0.06",
        HARL,
        "2022-11-22",
        extra=(("SEL-VW", "mm", "17.90 17.90 17.85 17.90 17.90", "G-001"),),
    ),
    Visit("SEL-004", "2022-11-22", "498.0", "0.09 0.10 0.10", HARL, "2023-06-14"),
    Visit(
        "SEL-004",
        "2023-06-14",
        "765.0",
        "0.14 0.13 0.14",
        SLIPWORKS,
        "2023-12-05",
        extra=(("SEL-GC", "mm", "0.02 0.03", "G-011"),),
    ),
    Visit(
        "SEL-004",
        "2023-12-05",
        "1012.0",
        "0.18 0.19 0.18",
        HARL,
        "2024-06-18",
        extra=(("SEL-WP", "mm", "0.20 0.22 0.21 0.19", "G-017"),),
    ),
    Visit(
        "SEL-004",
        "2024-06-18",
        "1268.0",
        "0.23 0.22 0.23",
        HARL,
        "2024-12-03",
        extra=(
            ("SEL-WP", "mm", "0.23 0.25 0.24 0.22", "G-017"),
            ("SEL-VW", "mm", "17.35 17.40 17.30 17.35 17.40", "G-001"),
        ),
    ),
    Visit(
        "SEL-004",
        "2024-12-03",
        "1503.0",
        "0.26 0.27 0.27",
        HARL,
        "2025-06-10",
        extra=(
            ("SEL-WP", "mm", "0.24 0.26 0.25 0.24", "G-022"),
            ("SEL-GC", "mm", "0.03 0.03", "G-011"),
        ),
        device="pc-bench-1",
    ),
    Visit("SEL-004", "2025-04-15", "1682.0", "0.30 0.29 0.30", HARL, "2025-10-14", new_nut=LATER_NUT),
    Visit("SEL-004", "2025-10-14", "1925.0", "0.07 0.07 0.06", HARL, "2026-04-14"),
    Visit("SEL-007", "2023-05-09", "905.0", "0.16 0.17 0.17", FERRIES, "2024-02-13"),
    Visit("SEL-007", "2024-02-13", "1271.5", "", FERRIES, "2024-11-12", by=JUNO),
    Visit("SEL-007", "2025-04-08", "1827.0", "0.07 0.06 0.07", FERRIES, "2026-04-07"),
    Visit("SEL-003", "2023-01-17", "890.0", "0.19 0.18 0.19", SLIPWORKS, "2023-09-05"),
    Visit("SEL-003", "2023-09-05", "1190.0", "0.20 0.21 0.20", SLIPWORKS, "2024-04-16"),
    Visit("SEL-003", "2024-04-16", "1490.0", "0.20 0.19 0.20", SLIPWORKS, "2026-03-10"),
    Visit("SEL-002", "2023-09-12", "1236.0", "0.08 0.07 0.08", HARL, "2024-10-15"),
    Visit("SEL-002", "2024-10-15", "1758.5", "0.10 0.10 0.09", HARL, "2026-02-17"),
    Visit("SEL-001", "2023-06-20", "1012.5", "0.06 0.07 0.07", HARL, "2025-05-13"),
    Visit("SEL-001", "2025-05-13", "1930.4", "0.09 0.10 0.10", "", "2026-05-12"),
    Visit("SEL-005", "2023-03-07", "722.0", "0.07 0.06 0.06", FERRIES, "2024-10-01", PELL, "kelderwick"),
    Visit("SEL-005", "2024-10-01", "1480.6", "0.08 0.09 0.09", FERRIES, "2026-04-07", PELL, "kelderwick"),
    Visit("SEL-006", "2023-11-07", "1450.0", "0.09 0.09 0.08", SLIPWORKS, "2025-03-18"),
    Visit("SEL-006", "2025-03-18", "2090.5", "0.11 0.10 0.11", "", "2026-03-17"),
    Visit("SEL-008", "2024-01-30", "880.0", "0.06 0.06 0.05", HARL, "2025-07-08"),
    Visit("SEL-008", "2025-07-08", "1570.2", "0.08 0.08 0.09", HARL, "2026-01-20"),
    Visit("SEL-009", "2023-07-18", "655.0", "0.05 0.05 0.05", FERRIES, "2025-01-21", PELL, "kelderwick"),
    Visit("SEL-009", "2025-01-21", "1370.8", "0.07 0.08 0.07", FERRIES, "2026-01-13", PELL, "kelderwick"),
    Visit("FAC-001", "2023-02-14", "1166.0", "0.06 0.06 0.05", FERRIES, "2024-07-30"),
    Visit("FAC-001", "2024-07-30", "1690.3", "0.08 0.08 0.07", "", "2026-01-27"),
    Visit("FAC-002", "2024-02-27", "1539.0", "0.09 0.08 0.09", SLIPWORKS, "2026-03-03"),
    # FAC-003 and FAC-006 are S4: neither leaves by its own number between the repainting and the settling
    Visit("FAC-003", "2022-11-15", "1090.4", "0.05 0.06 0.05", HARL, "2023-10-10"),
    Visit("FAC-003", "2023-10-10", "1412.6", "0.07 0.08 0.08", "", "2025-02-25", PELL, "kelderwick"),
    Visit("FAC-003", "2024-01-10", "1466.0", "0.08 0.08 0.08", HARL, "2025-02-25", PELL, "kelderwick"),
    Visit("FAC-003", "2025-02-25", "1915.4", "0.10 0.09 0.10", HARL, "2026-02-24"),
    Visit(
        "FAC-004",
        "2023-05-16",
        "842.0",
        "0.06 0.07 0.06",
        "",
        "2024-11-05",
        PELL,
        "kelderwick",
        card="card 118",
        late=1,
    ),
    Visit("FAC-004", "2024-11-05", "1385.7", "0.09 0.08 0.08", "", "2026-05-05", PELL, "kelderwick"),  # then S10
    Visit("FAC-005", "2024-06-04", "1180.0", "0.07 0.07 0.06", SLIPWORKS, "2026-06-02"),
    Visit("FAC-006", "2022-12-06", "294.6", "0.04 0.05 0.05", FERRIES, "2023-10-16", PELL, "kelderwick"),
    Visit("FAC-006", "2023-10-16", "601.8", "0.05 0.06 0.05", "", "2025-06-24", PELL, "kelderwick"),
    Visit("FAC-006", "2024-01-11", "644.3", "0.06 0.06 0.05", FERRIES, "2025-06-24", PELL, "kelderwick"),
    Visit("FAC-006", "2025-06-24", "1206.3", "0.07 0.07 0.07", FERRIES, "2026-01-06", PELL, "kelderwick"),
    Visit(
        "FAC-007",
        "2024-01-16",
        "1180.4",
        "0.06 0.06 0.07",
        "",
        "2025-04-29",
        PELL,
        "kelderwick",
        card="card 131",
        late=9,
    ),
    Visit("FAC-007", "2025-04-29", "1640.9", "0.08 0.08 0.08", HARL, "2026-02-10", PELL, "kelderwick"),
    Visit("FAC-008", "2024-09-03", "905.5", "0.06 0.05 0.06", HARL, "2026-03-24"),
]


def opening() -> list[Step]:
    """1 and 2 March 2022: sheets, codes, permissions, units, labels, and what was in the slots already."""
    steps: list[Step] = []
    first = "2022-03-01"
    classes = ["SEL", "FAC", *sorted({g["class"] for g in GAUGES})]
    for minute, class_ in enumerate(classes):
        day = Day(steps, f"class:{class_}", first, f"08:{minute:02d}", ISKA)
        day.add("sheet.issued", {"rev": 1, "effective_on": first, "sheet": sheet(class_)}, minutes=1)
        day.tell()
    day = Day(steps, "shop:skerrivane", first, "08:20", ISKA)
    lists = json.loads((HERE / "codes.json").read_text(encoding="utf-8"))
    day.add("codes.issued", {"rev": 1, "effective_on": first, "lists": lists}, minutes=1)
    day.tell()
    granted = (
        (ISKA, ["release", "second"], first),
        (ORRIN, ["bench", "stand", "second"], first),
        (PELL, ["bench", "stand", "second"], first),
        (FEN, ["bench", "stand"], first),
        (JUNO, ["bench"], "2024-02-01"),
    )
    for person, tasks, from_on in granted:
        day = Day(steps, f"person:{person}", from_on, "08:30", ISKA)
        day.add("authorisation.granted", {"classes": ["*"], "tasks": tasks, "from_on": from_on})
        day.tell()
    kinds = ("class", "serial", "origin", "meters", "name", "variant")
    for unit in [*UNITS, *GAUGES]:
        day = Day(steps, f"unit:{unit['id']}", first, "09:00", BERTIL, site="port-cendry")
        family = "machine" if "meters" in unit else "gauge"
        data = {k: unit[k] for k in kinds if k in unit} | {"family": family, "owner": "skerrivane"}
        day.add("unit.registered", data)
        tied = {"tag": f"@tag:{unit['id']}", "evidence": ["engraved serial"], "place": "on the iron"}
        day.add("tag.attached", tied)
        day.tell()
    vanes = ("lot:VN-2202-A", "GRP-V18", 5, "gannet-rotor-parts")
    lots = [(f"lot:{lot}", part, 12, "copperfirth-screw-nut") for part, lot in NUT.values()]
    for lot, part_no, qty, supplier in (*lots, vanes):
        day = Day(steps, lot, first, "14:00", BERTIL, site="port-cendry")
        came = {"part_no": part_no, "qty": qty, "supplier": supplier, "supplier_dispatched_on": "2022-02-21"}
        day.add("lot.received", came)
        day.tell()
    old = {"source": {"kind": "history", "ref": "bench ledger 7"}, "site": "port-cendry"}
    for unit in UNITS:
        day = Day(steps, f"unit:{unit['id']}", "2022-03-02", "08:30", ORRIN, **old)
        if unit["class"] not in NUT:
            continue
        part_no, lot = NUT[unit["class"]]
        nut = {"slot": "feed-nut", "pieces": [{"part_no": part_no, "lot": lot, "qty": 1}], "from": "stock"}
        day.add("part.fitted", nut)
        if unit["id"] == "SEL-004":
            set_of_five = {"part_no": "GRP-V18", "lot": "VN-2202-A", "qty": 5}
            day.add("part.fitted", {"slot": "vane-set", "pieces": [set_of_five], "from": "stock"})
        if unit["id"] == "FAC-004":
            day.add("part.fitted", {"slot": ARM_BEARING, "pieces": [bearing("B-071")], "from": "stock"})
        day.tell()
    day = Day(steps, f"lot:{VANES}", "2023-11-20", "10:15", BERTIL, site="port-cendry")
    came = {"part_no": "GRP-V18", "qty": 40, "supplier": "gannet-rotor-parts", "supplier_dispatched_on": "2023-11-17"}
    day.add("lot.received", came)
    day.tell()
    day = Day(steps, f"lot:{LATER_NUT}", "2025-03-26", "10:40", BERTIL, site="port-cendry")
    came = {"part_no": NUT["SEL"][0], "qty": 2, "supplier": "copperfirth-screw-nut"}
    day.add("lot.received", came | {"supplier_dispatched_on": "2025-03-24"})
    day.tell()
    return steps


def every_year(days: list[str], until: date) -> list[str]:
    """The days, and the same day of every year after the last of them up to `until`."""
    last = date.fromisoformat(days[-1])
    later = (last.replace(year=year) for year in range(last.year + 1, until.year + 1))
    return [*days, *(day.isoformat() for day in later if day <= until)]


def calibrations(until: date) -> list[Step]:
    """Every gauge once a year up to `until`, in date until the next; G-017 is found out on 12 September 2024 (S3)."""
    steps: list[Step] = []
    yearly = every_year(["2022-03-01", "2023-02-21", "2024-02-13", "2025-02-11"], until)
    rack_two = every_year(["2022-03-01", "2022-09-09", "2023-09-08", "2024-09-12", "2025-09-10"], until)
    for gauge in GAUGES:
        days = rack_two if gauge["id"] == "G-017" else yearly
        for on, following in zip(days, [*days[1:], ""], strict=True):
            zero = [{"at": at, "error": "0.000" if gauge["uom"] == "mm" else "0"} for at in gauge["points"]]
            due = following or date.fromisoformat(on).replace(year=int(on[:4]) + 1).isoformat()
            data = {"certificate": f"K-{on[2:4]}{on[5:7]}-{gauge['id'][2:]}", "as_found": zero, "due": due}
            data |= {"allowed_error": gauge["allowed"], "uom": gauge["uom"], "range": gauge["range"]}
            if (gauge["id"], on) == ("G-017", "2024-09-12"):
                errors = ("-0.003", "-0.010", "-0.018", "-0.020")
                found = [{"at": at, "error": e} for at, e in zip(gauge["points"], errors, strict=True)]
                data |= {"as_found": found, "as_left": zero}
            day = Day(steps, f"unit:{gauge['id']}", on, "10:30", ISKA, site="port-cendry")
            day.add("gauge.calibrated", data)
            day.tell()
    day = Day(steps, "unit:G-017", "2024-03-04", "08:15", ORRIN, site="port-cendry")
    blocks = [{"at": "0.00", "error": "0.000"}, {"at": "0.10", "error": "-0.002"}]
    day.add("gauge.checked", {"points": blocks, "result": "pass", "covers": ["0.00", "0.10"], "uom": "mm"})
    day.tell()
    return steps


def ticked_not_measured() -> list[Step]:
    """The missed twin, SEL-007: lost motion in the field on 8 October 2024, 0.47 turn; February gave no value."""
    steps: list[Step] = []
    complaint, job, finding, release = "C-20241008-1", "J-20241008-SEL-007", "F-20241008-1", "REL-20241010-SEL-007"
    part_no, lot = NUT["SEL"]
    hours = q("1588.0", "h")
    at_ferries: dict[str, Any] = {"job": job, "site": "ferry-yard"}
    day = Day(steps, "unit:SEL-007", "2024-10-08", "07:50", FEN)
    reported = {
        "complaint": complaint,
        "words": "Size jumps by more than half a millimetre when we wind back. It has crept up all summer.",
        "mode": "MD-LST",
        "effect": "EF-3",
        "customer": FERRIES,
        "hours": hours,
        "moved_since": "no",
        "stop_use": True,
    }
    day.add("complaint.reported", reported, minutes=90)
    day.tell()
    day.add("job.opened", {"job": job, "purpose": "complaint", "complaint": complaint}, **at_ferries)
    found: dict[str, Any] = {
        "characteristic": "SEL-BL",
        "stage": "as_found",
        "uom": "circ",
        "gauge": "G-021",
        "hours": hours,
    }
    found["readings"] = at_positions("0.46 0.47 0.46", ("25", "50", "75"))
    day.add("reading.taken", found, minutes=15, **at_ferries)
    raised = {
        "finding": finding,
        "words": "Nut worn out, even along the travel. February's card has a tick and no figure.",
        "slot": "feed-nut",
        "mode": "MD-LST",
        "mechanism": "MC-WRA",
        "cause": "CS-INT",
        "confidence": "likely",
        "detection": "DT-FLD",
        "blocking": True,
    }
    day.add("finding.raised", raised, **at_ferries)
    step = {
        "check": "Collar test at three places: backlash within the sheet?",
        "result": "0.47 turn, no",
        "cured": False,
    }
    day.add("complaint.worked", {"complaint": complaint, "steps": [step]}, **at_ferries)
    day.tell()

    shop: dict[str, Any] = {"job": job, "site": "port-cendry", "bench": "bench-1"}
    day = Day(steps, "unit:SEL-007", "2024-10-09", "13:20", BERTIL, site="port-cendry")
    day.add("unit.received", {"site": "port-cendry", "reason": "complaint", "customer": FERRIES})
    day.tell()
    day = Day(steps, "unit:SEL-007", "2024-10-10", "08:20", ORRIN)
    proof = {"method": "gauge at the inlet", "reading": q("0.0", "bar")}
    day.add("energy.isolated", {"source": "line air", "device": "ball valve at the bench", "proof": proof}, **shop)
    pieces = [{"part_no": part_no, "lot": lot, "qty": 1}]
    out = {"slot": "feed-nut", "pieces": pieces, "to": "scrap", "why": "worn out", "finding": finding}
    day.add("part.removed", out, minutes=40, **shop)
    fitted = {"slot": "feed-nut", "pieces": [pieces[0] | {"condition": "new"}], "from": "stock", "finding": finding}
    day.add("part.fitted", fitted, minutes=30, ref="twin-nut", **shop)
    left: dict[str, Any] = found | {"stage": "as_left", "gauge": "G-022"}
    left["readings"] = at_positions("0.05 0.05 0.04", ("25", "50", "75"))
    day.add("reading.taken", left, minutes=10, **shop)
    day.add("finding.closed", {"finding": finding, "how": "cured", "by_entries": ["@twin-nut"]}, **shop)
    for check in sheet("SEL")["checks"]:
        day.add("check.answered", {"check": check["check"], "answer": "ok"}, minutes=1, **shop)
    day.add("energy.restored", {"source": "line air"}, **shop)
    day.tell()
    conditions = {"supply_pressure": q("6.30", "bar"), "shut_in_pressure": q("6.00", "bar")}
    final: dict[str, Any] = {"run": "R-20241010-1", "stage": "final", "stand": "port-cendry-1", "sheet_rev": 1}
    final |= {"conditions": conditions, "results": stand_results("SEL", 7), "minutes": 25}
    day.add("run.recorded", final, by=FEN, minutes=25, **shop)
    cured = {"complaint": complaint, "outcome": "cured", "cured_by": ["@twin-nut"]}
    day.add("complaint.closed", cured, **shop)
    day.add("job.closed", {"job": job}, **shop)
    day.tell()
    day.add("unit.released", {"release": release, "job": job, "kind": "full"}, by=ISKA, job=job, site="port-cendry")
    day.tell()
    day = Day(steps, "unit:SEL-007", "2024-10-11", "09:10", BERTIL, site="port-cendry")
    hire = {"from": "2024-10-11", "until": "2025-04-08"}
    day.add("unit.dispatched", {"to": FERRIES, "site": "ferry-yard", "hire": hire, "release": release})
    day.tell()
    return steps


def re_centred() -> list[Step]:
    """S9, SEL-002 at the Harl array on 11 March 2025: erratic feed cured by re-centring, no parts, 35 minutes."""
    steps: list[Step] = []
    complaint, job, finding = "C-20250311-1", "J-20250311-SEL-002", "F-20250311-1"
    hours = q("1953.0", "h")
    common: dict[str, Any] = {"site": "harl-array"}
    work: dict[str, Any] = {"job": job, "device": {"id": "field-1"}}
    day = Day(steps, "unit:SEL-002", "2025-03-11", "07:40", FEN, **common)
    reported = {
        "complaint": complaint,
        "words": "Feed comes and goes since it came over on the boat. One turn it bites, the next it hardly moves.",
        "mode": "MD-FDE",
        "effect": "EF-2",
        "customer": HARL,
        "hours": hours,
        "moved_since": "yes",
        "stop_use": False,
        "conditions": {
            "pressure_under_flow": q("6.1", "bar"),
            "feed_setting": q("0.10", "mm/{rev}"),
            "feed_least": q("0.04", "mm/{rev}"),
            "feed_greatest": q("0.19", "mm/{rev}"),
            "shows": "under cut, after a boat transfer",
        },
    }
    day.add("complaint.reported", reported, minutes=150)
    day.tell()
    read_how: dict[str, Any] = {"tag": "@tag:SEL-002", "tag_read": "scanned"}
    day.add("tag.scanned", {"place": "customer's pontoon"}, device={"id": "field-1"}, **read_how)
    day.add("job.opened", {"job": job, "purpose": "complaint", "complaint": complaint}, **work)
    day.add("caution.shown", {"caution": "alone-on-site", "revision": 1}, **work)
    feeds = "0.10 0.04 0.19 0.12 0.06 0.15 0.08 0.11 0.05 0.17 0.09 0.13 0.04 0.16 0.07 0.10 0.18 0.06 0.12 0.08"
    before = [q(v, "mm/{rev}") for v in feeds.split()]
    pressure = {"supply_pressure": q("6.1", "bar"), "feed_setting": q("0.10", "mm/{rev}")}
    as_found: dict[str, Any] = {"run": "R-20250311-1", "stage": "as_found", "sheet_rev": 1, "conditions": pressure}
    as_found["results"] = [{"test": "feed-mean", "values": before}, {"test": "feed-spread", "values": before}]
    day.add("run.recorded", as_found, minutes=8, **work)
    proof = {"method": "gauge at the inlet, then control cycled", "reading": q("0.0", "bar")}
    day.add("energy.isolated", {"source": "line air", "device": "hose parted at the manifold", "proof": proof}, **work)
    day.add("caution.shown", {"caution": "trapped-air", "revision": 1}, **work)
    offset = {"characteristic": "SEL-AC", "uom": "mm", "gauge": "G-006", "hours": hours}
    day.add("reading.taken", offset | {"stage": "as_found", "readings": [{"value": "0.62"}]}, minutes=3, **work)
    raised = {
        "finding": finding,
        "words": "Actuator body 0.62 mm off the trip line; fresh witness mark on the bracket from the lashing.",
        "slot": "feed-actuator",
        "mode": "MD-FDE",
        "mechanism": "MC-OOL",
        "cause": "CS-KNK",
        "confidence": "seen",
        "detection": "DT-FLD",
        "blocking": True,
    }
    day.add("finding.raised", raised, minutes=35, **work)
    centred = {
        "activity": "AC-ALN",
        "slot": "feed-actuator",
        "finding": finding,
        "detail": "Re-centred on the alignment pin, fixings tightened, new witness mark. No parts.",
        "minutes": 35,
        "amounts": {"offset_before": q("0.62", "mm"), "offset_after": q("0.05", "mm")},
    }
    day.add("work.done", centred, ref="s9-centred", minutes=3, **work)
    day.add("reading.taken", offset | {"stage": "as_left", "readings": [{"value": "0.05"}]}, minutes=3, **work)
    day.add("energy.restored", {"source": "line air"}, minutes=10, **work)
    # mean 0.10 as it is written down: nineteen turns of 0.10 and one of 0.09
    after = [q("0.09" if turn == 12 else "0.10", "mm/{rev}") for turn in range(20)]
    again: dict[str, Any] = {"run": "R-20250311-2", "stage": "interim", "sheet_rev": 1, "conditions": pressure}
    again["results"] = [
        {"test": "feed-mean", "values": after},
        {"test": "feed-spread", "values": after},
        {"test": "feed-missed", "value": q("0", "1")},
    ]
    day.add("run.recorded", again, **work)
    tried = [
        {
            "check": "Gauge at the inlet while running: pressure holds the setting?",
            "result": "6.1 bar under flow, holds",
            "cured": False,
        },
        {
            "check": "Alignment pin drops in between bracket and trip line?",
            "result": "no, 0.62 mm off; re-centred to 0.05",
            "cured": True,
        },
    ]
    day.add("complaint.worked", {"complaint": complaint, "steps": tried}, **work)
    day.add("finding.closed", {"finding": finding, "how": "cured", "by_entries": ["@s9-centred"]}, **work)
    closed = {"complaint": complaint, "outcome": "cured", "cured_by": ["@s9-centred"]}
    day.add("complaint.closed", closed, **work)
    day.add("job.closed", {"job": job}, **work)
    day.tell()
    return steps


# S9: re-centring cured 23 of the 37 erratic-feed calls, the one told above among them; then two without a fault found.
FEED_CURES = {
    "A": ("AC-ALN", "feed-actuator", "Alignment pin drops in between bracket and trip line?", "off the trip line"),
    "P": ("AC-RST", "", "Gauge at the inlet while running: pressure holds the setting?", "5.1 bar under flow"),
    "L": ("AC-LUB", "feed-actuator", "Trip pin and slide move freely and are oiled?", "dry and sticking"),
    "G": ("AC-ADJ", "gib-strip", "Crank the whole travel by hand: even drag, no tight end?", "tight at the top end"),
    "S": ("AC-RPL", "actuator-seal-kit", "Actuator holds air when shut in?", "leaks past the piston"),
}
SEAL_KIT = ("GRP-SK12", "SK-2304-A")
# unit, customer, the first call, days between them, and what cured each; - is no fault found
FEED_CALLS = [
    ("SEL-001", HARL, "2023-07-10", 75, "AAPALA"),
    ("SEL-002", HARL, "2023-09-26", 60, "APAAGA"),
    ("SEL-005", FERRIES, "2023-04-11", 75, "APASA-A"),
    ("SEL-006", SLIPWORKS, "2023-12-04", 75, "PAALA"),
    ("SEL-008", HARL, "2024-02-20", 75, "AAPA-AG"),
    ("SEL-009", FERRIES, "2023-08-08", 75, "AALPSAP"),
]


def feed_calls() -> list[Step]:
    """The other erratic-feed calls, each seen to in the field on the day."""
    steps: list[Step] = []
    part_no, lot = SEAL_KIT
    day = Day(steps, f"lot:{lot}", "2023-04-12", "10:20", BERTIL, site="port-cendry")
    came = {"part_no": part_no, "qty": 6, "supplier": "gannet-rotor-parts", "supplier_dispatched_on": "2023-04-10"}
    day.add("lot.received", came)
    day.tell()
    for unit, customer, first, apart, cured in FEED_CALLS:
        for number, letter in enumerate(cured):
            on = (date.fromisoformat(first) + timedelta(days=apart * number)).isoformat()
            steps += feed_call(unit, customer, on, letter)
    return steps


def feed_call(unit: str, customer: str, on: str, letter: str) -> list[Step]:
    steps: list[Step] = []
    tag = on.replace("-", "")
    complaint, job, ref = f"C-{tag}-{unit}", f"J-{tag}-{unit}", f"feed-{tag}-{unit}"
    day = Day(steps, f"unit:{unit}", on, "09:10", FEN, site=WHERE[customer])
    moved = "yes" if letter == "A" else "no"
    words = "Feed skips." if letter == "A" else "Feed is not what the setting says."
    reported = {"complaint": complaint, "words": words, "mode": "MD-FDE", "customer": customer, "moved_since": moved}
    day.add("complaint.reported", reported, minutes=120)
    day.tell()
    day.add("job.opened", {"job": job, "purpose": "complaint", "complaint": complaint}, job=job)
    if letter == "-":
        tried = {"check": FEED_CURES["A"][2], "result": "drops in", "cured": False}
        day.add("complaint.worked", {"complaint": complaint, "steps": [tried]}, job=job)
        day.add("complaint.closed", {"complaint": complaint, "outcome": "no_fault_found"}, job=job)
    else:
        activity, slot, check, result = FEED_CURES[letter]
        if letter == "S":
            part_no, lot = SEAL_KIT
            pieces = [{"part_no": part_no, "lot": lot, "qty": 1, "condition": "new"}]
            fitted = {"slot": slot, "pieces": pieces, "from": "stock"}
            day.add("part.fitted", fitted, minutes=60, ref=ref, job=job)
        else:
            work: dict[str, Any] = {"activity": activity, "minutes": 30} | ({"slot": slot} if slot else {})
            day.add("work.done", work, minutes=30, ref=ref, job=job)
        tried = {"check": check, "result": result, "cured": True}
        day.add("complaint.worked", {"complaint": complaint, "steps": [tried]}, job=job)
        closed = {"complaint": complaint, "outcome": "cured", "cured_by": [f"@{ref}"]}
        day.add("complaint.closed", closed, job=job)
    day.add("job.closed", {"job": job}, job=job)
    day.tell()
    return steps


def crossed_labels() -> list[Step]:
    """S4: labels crossed on 17 October 2023, seven entries on the wrong page, found on 9 January 2024 and settled."""
    steps: list[Step] = []
    right = {"FAC-003": "FAC-006", "FAC-006": "FAC-003"}  # label -> iron, while they were crossed
    moved: list[tuple[str, str]] = []  # label and name of each entry

    def under(label: str, on: str, start: str, by: str, *told: tuple[str, dict[str, Any]]) -> None:
        day = Day(steps, f"unit:{label}", on, start, by, site="kelderwick", tag=f"@tag:{label}", tag_read="scanned")
        for type_, data in told:
            name = f"s4-{len(moved) + 1}"
            moved.append((label, name))
            day.add(type_, data, ref=name, minutes=15)
        day.tell()

    def dispatched(to: str, until: str) -> tuple[str, dict[str, Any]]:
        hire = {"from": "2023-10-18", "until": until}
        return "unit.dispatched", {"to": to, "site": WHERE[to], "hire": hire}

    def received(customer: str) -> tuple[str, dict[str, Any]]:
        return "unit.received", {"site": "kelderwick", "reason": "back from hire", "customer": customer}

    def backlash(values: str, hours: str) -> tuple[str, dict[str, Any]]:
        found = {"characteristic": "FAC-BL", "stage": "as_found", "uom": "circ", "gauge": "G-023"}
        return "reading.taken", found | {
            "readings": at_positions(values, ("25", "50", "75")),
            "hours": q(hours, "h"),
        }

    vanes = {"part_no": "GRP-V18", "lot": VANES, "qty": 5, "condition": "new"}
    fitted = ("part.fitted", {"slot": "vane-set", "pieces": [vanes], "from": "stock"})
    under("FAC-006", "2023-10-18", "09:10", BERTIL, dispatched(FERRIES, "2023-11-28"))
    under("FAC-003", "2023-10-18", "09:40", BERTIL, dispatched(HARL, "2023-12-12"))
    under("FAC-006", "2023-11-28", "08:20", PELL, received(FERRIES), backlash("0.08 0.08 0.07", "1466.0"))
    under("FAC-003", "2023-12-12", "08:20", PELL, received(HARL), backlash("0.06 0.05 0.06", "644.3"), fitted)

    day = Day(steps, "unit:FAC-003", "2024-01-09", "08:50", PELL, site="kelderwick")
    for unit in right:
        held = {"hold": "H-20240109-1", "why": "label and engraved serial disagree", "lift_by": "manager"}
        day.add("hold.placed", held, subject=f"unit:{unit}")
    day.tell()
    day = Day(steps, "unit:FAC-003", "2024-01-09", "10:30", ISKA, site="kelderwick")
    serials = {unit["id"]: unit["serial"] for unit in UNITS}
    # first what the labels had hung on since the repainting, brought in from the paint book; then the right way round
    then = {"occurred_at": "2023-10-17T16:30:00+01:00", "source": {"kind": "history", "ref": "paint book, page 41"}}
    for crossing, since in ((True, then), (False, {})):
        for label, iron in right.items():
            old = label if crossing else iron
            off = {"tag": f"@tag:{label}", "why": "crossed"}
            day.add("tag.detached", off, subject=f"unit:{old}", **since)
        for label, iron in right.items():
            new = iron if crossing else label
            seen = ["paint book, 17 October 2023"] if crossing else ["the hours fit its own chain"]
            tied = {"tag": f"@tag:{label}", "evidence": [f"engraved serial {serials[new]}, read by two", *seen]}
            day.add("tag.attached", tied, subject=f"unit:{new}", **since)
    day.tell()
    for label, name in moved:
        iron = right[label]
        why = f"done to {iron} while it wore the label of {label}: engraved serial {serials[iron]}"
        data = {"target": f"@{name}", "to": f"unit:{iron}", "why": why, "second": PELL}
        day.add("entry.reattributed", data, subject=f"unit:{label}")
        day.tell()
    for unit in right:
        day.add("hold.lifted", {"hold": "H-20240109-1", "why": "labels and pages are right"}, subject=f"unit:{unit}")
    day.tell()
    return steps


S10_RELEASE = {"release": "REL-20241119-FAC-004", "job": "J-20241119-FAC-004", "kind": "full"}


def two_benches_offline() -> list[Step]:
    """S10, FAC-004 on 19 November 2024: two bearings logged into one slot, heard of at 16:40; nobody has looked yet."""
    steps: list[Step] = []
    job, finding = "J-20241119-FAC-004", "F-20241119-1"
    day = Day(steps, "unit:FAC-004", "2024-11-18", "14:10", BERTIL, site="port-cendry")
    day.add("unit.moved", {"site": "port-cendry", "bench": "bench-1"})
    day.tell()
    work: dict[str, Any] = {"job": job, "site": "port-cendry", "bench": "bench-1", "device": {"id": "pc-bench-1"}}
    day = Day(steps, "unit:FAC-004", "2024-11-19", "09:20", ORRIN)
    day.add("tag.scanned", {"place": "bench"}, tag="@tag:FAC-004", tag_read="scanned", **work)
    day.add("job.opened", {"job": job, "purpose": "repair"}, **work)
    day.add("caution.shown", {"caution": "stored-energy", "revision": 1}, **work)
    proof = {"method": "gauge at the inlet", "reading": q("0.0", "bar")}
    day.add("energy.isolated", {"source": "line air", "device": "ball valve at the bench", "proof": proof}, **work)
    raised = {
        "finding": finding,
        "words": "Arm bearing runs rough by hand, worse under load.",
        "slot": ARM_BEARING,
        "mechanism": "MC-PIT",
        "cause": "CS-AGE",
        "confidence": "likely",
        "detection": "DT-STR",
        "blocking": True,
    }
    day.add("finding.raised", raised, minutes=20, **work)
    out = {"slot": ARM_BEARING, "pieces": [bearing("B-071")], "to": "scrap", "why": "runs rough", "finding": finding}
    day.add("part.removed", out, minutes=24, **work)

    def fitted(serial: str) -> dict[str, Any]:
        pieces = [bearing(serial) | {"condition": "new"}]
        return {"slot": ARM_BEARING, "pieces": pieces, "from": "stock", "finding": finding}

    day.add("part.fitted", fitted("B-114"), ref="s10-fit", minutes=70, **work)
    day.tell()
    day.add("finding.closed", {"finding": finding, "how": "cured", "by_entries": ["@s10-fit"]}, **work)
    day.add("energy.restored", {"source": "line air"}, **work)
    day.tell()
    # the radio link was down; the card had been copied while the machine stood at Kelderwick
    copied: dict[str, Any] = {"job": job, "site": "kelderwick", "bench": "bench-2", "device": {"id": "kw-bench-1"}}
    day = Day(steps, "unit:FAC-004", "2024-11-19", "11:05", PELL)
    day.add("part.fitted", fitted("B-120"), tag="@tag:FAC-004", tag_read="typed", **copied)
    day.tell(at="16:40")
    # asked to let it go ten minutes later: refused until somebody looks at the iron
    day = Day(steps, "unit:FAC-004", "2024-11-19", "16:50", ISKA)
    day.add("unit.released", S10_RELEASE, job=job, site="port-cendry", refused=["slot-contested"])
    day.tell()
    return steps


def numbered(steps: Sequence[Step]) -> Iterator[Step]:
    """The steps with each device's own running number filled in, from 1 and without a gap."""
    last: dict[str, int] = {}
    for step in steps:
        entries = []
        for entry in step.entries:
            if "device" in entry:
                device = entry["device"]["id"]
                last[device] = last.get(device, 0) + 1
                entry = {**entry, "device": {"id": device, "seq": last[device], "clock_offset_ms": 0}}
            entries.append(entry)
        yield Step(step.heard, tuple(entries))


def steps(until: date) -> Iterator[Step]:
    """Everything, in the order in which the book hears it.

    until : the day on which somebody looks; the gauges are kept in calibration up to it
    """
    told = [*opening(), *calibrations(until)]
    came_from: dict[str, str] = {}
    for visit in VISITS:
        told += visit_steps(visit, came_from.get(visit.unit, ""))
        came_from[visit.unit] = visit.to
    from .dull import steps as dull_steps
    from .hoists import steps as hoist_steps
    from .rebuilt import steps as rebuilt_steps

    told += [*dull_steps(until), *hoist_steps(), *rebuilt_steps()]
    told += [*ticked_not_measured(), *re_centred(), *feed_calls(), *crossed_labels(), *two_benches_offline()]
    return numbered(sorted(told, key=lambda step: step.heard))
