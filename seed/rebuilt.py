"""A rebuilt boring bar, whose bar was kept: JOB.md 8.1, S7 (BOR-002)."""

from datetime import date
from typing import Any

from .depot import UNITS
from .dull import passed, serviced
from .stories import BERTIL, FEN, FERRIES, HARL, ISKA, NUT, ORRIN, WHERE, Day, Step, at_positions, q, sheet

UNIT = next(unit for unit in UNITS if unit["id"] == "BOR-002")
JOB, RELEASE = "J-20240415-BOR-002", "REL-20240523-BOR-002"
HOURS = "4812.6"
BAR = {"part_no": "SK-BB-60", "serial": "BB-3004", "qty": 1}
RENEWED = (  # slot, what came out, what went in
    (
        "rotary-drive",
        {"part_no": "SK-RD-45", "serial": "RD-3004", "qty": 1},
        {"part_no": "SK-RD-45", "serial": "RD-9107", "qty": 1},
    ),
    (
        "bearing-inserts",
        {"part_no": "HLB-IN60", "lot": "HL-1904", "qty": 3},
        {"part_no": "HLB-IN60", "lot": "HL-2402", "qty": 3},
    ),
    (
        "feed-nut",
        {"part_no": NUT["BOR"][0], "lot": NUT["BOR"][1], "qty": 1},
        {"part_no": NUT["BOR"][0], "lot": NUT["BOR"][1], "qty": 1},
    ),
    ("hoses", {"part_no": "SK-HS-12", "lot": "HS-1806", "qty": 2}, {"part_no": "SK-HS-12", "lot": "HS-2403", "qty": 2}),
)
KEPT = ("bar", "feed-screw", "axial-feed-gearbox", "end-supports", "motor")
FOUND = (  # characteristic, gauge, readings
    ("BOR-DW", "G-002", "59.962 59.960 59.958 59.956 59.960 59.958"),
    ("BOR-IC", "G-022", "0.095 0.110 0.115"),
    ("BOR-DB", "G-022", "0.045"),
    ("BOR-AB", "G-022", "0.28 0.29 0.29"),
)
LEFT = (("BOR-IC", "G-022", "0.030 0.030 0.025"), ("BOR-DB", "G-022", "0.005"), ("BOR-AB", "G-022", "0.04 0.05 0.04"))
A_YEAR_LATER = {
    "BOR-DW": "59.960 59.958 59.956 59.954 59.958 59.956",
    "BOR-IC": "0.040 0.040 0.035",
    "BOR-DB": "0.010",
    "BOR-AB": "0.07 0.08 0.07",
}


def read(day: Day, stage: str, figures: tuple[tuple[str, str, str], ...], **work: Any) -> None:
    rows = {row["code"]: row for row in sheet("BOR")["characteristics"]}
    for code, gauge, values in figures:
        row = rows[code]
        readings = at_positions(values, row["positions"]) if "positions" in row else [{"value": values}]
        taken = {"characteristic": code, "stage": stage, "uom": row["uom"], "readings": readings, "gauge": gauge}
        day.add("reading.taken", taken | {"hours": q(HOURS, "h")}, minutes=12, **work)


def steps() -> list[Step]:
    """In on 15 April 2024 at 4,812.6 h, out on 24 May; a service a year later."""
    found: list[Step] = []
    old: dict[str, Any] = {"source": {"kind": "history", "ref": "bench ledger 7"}, "site": "port-cendry"}
    day = Day(found, "unit:BOR-002", "2022-03-02", "08:45", ORRIN, **old)
    start = q(UNIT["meters"][0]["start"], "h")
    day.add("part.fitted", {"slot": "bar", "pieces": [BAR | {"hours": start}]}, minutes=1)
    for slot, piece, _ in RENEWED:
        if slot != "feed-nut":  # stories.py has it
            day.add("part.fitted", {"slot": slot, "pieces": [piece]}, minutes=1)
    day.tell()

    work: dict[str, Any] = {"job": JOB, "site": "port-cendry", "bench": "bench-1"}
    day = Day(found, "unit:BOR-002", "2024-04-15", "08:20", ORRIN, site="port-cendry")
    day.add("unit.received", {"site": "port-cendry", "reason": "rebuild", "customer": FERRIES}, by=BERTIL)
    day.add("tag.scanned", {"place": "bench"}, tag="@tag:BOR-002", tag_read="scanned")
    day.add("job.opened", {"job": JOB, "purpose": "rebuild"}, job=JOB)
    day.add("caution.shown", {"caution": "stored-energy", "revision": 1}, job=JOB)
    proof = {"method": "gauge on the line", "reading": q("0", "bar")}
    day.add("energy.isolated", {"source": "hydraulic supply", "device": "hoses parted", "proof": proof}, job=JOB)
    read(day, "as_found", FOUND, job=JOB)
    day.tell()
    day = Day(found, "unit:BOR-002", "2024-04-18", "09:00", ORRIN)
    for slot, piece, _ in RENEWED:
        out = {"slot": slot, "pieces": [piece], "to": "scrap", "why": "renewed at the rebuild"}
        day.add("part.removed", out, minutes=40, **work)
    day.tell()
    day = Day(found, "unit:BOR-002", "2024-05-21", "09:00", ORRIN)
    for slot, _, piece in RENEWED:
        fitted = {"slot": slot, "pieces": [piece | {"condition": "new"}], "from": "stock"}
        day.add("part.fitted", fitted, minutes=60, **work)
    read(day, "as_left", LEFT, **work)
    day.tell()
    day = Day(found, "unit:BOR-002", "2024-05-22", "15:00", ORRIN)
    scope = [{"slot": slot, "treatment": "renewed"} for slot, _, _ in RENEWED]
    scope += [{"slot": slot, "treatment": "kept"} for slot in KEPT]
    day.add("rebuild.completed", {"standard": "BOR rebuild, revision 2", "scope": scope, "job": JOB}, **work)
    for check in sheet("BOR")["checks"]:
        if "variants" not in check or UNIT["variant"] in check["variants"]:
            day.add("check.answered", {"check": check["check"], "answer": "ok"}, minutes=1, **work)
    day.add("energy.restored", {"source": "hydraulic supply"}, **work)
    day.tell()
    day = Day(found, "unit:BOR-002", "2024-05-23", "10:00", FEN)
    conditions, results = passed("BOR", UNIT["variant"])
    run: dict[str, Any] = {"run": "R-20240523-1", "stage": "final", "stand": "port-cendry-1", "sheet_rev": 1}
    day.add("run.recorded", run | {"conditions": conditions, "results": results, "minutes": 30}, minutes=30, **work)
    day.add("job.closed", {"job": JOB}, **work)
    day.add("service.planned", {"due_on": "2025-06-02", "why": "a year after the rebuild"}, by=BERTIL)
    day.tell()
    hire = {"from": "2024-05-24", "until": "2025-06-02"}
    day.add("unit.released", {"release": RELEASE, "job": JOB, "kind": "full", "hire": hire}, by=ISKA, job=JOB)
    day.tell()
    day = Day(found, "unit:BOR-002", "2024-05-24", "09:10", BERTIL, site="port-cendry")
    day.add("unit.dispatched", {"to": HARL, "site": WHERE[HARL], "hire": hire, "release": RELEASE})
    day.tell()
    later = serviced(found, UNIT, 1, date(2025, 6, 2), ORRIN, HARL, "5310.2", A_YEAR_LATER)
    job, release = "J-20250602-BOR-002", "REL-20250602-BOR-002"
    later.add("unit.released", {"release": release, "job": job, "kind": "full"}, by=ISKA, job=job)
    later.tell()
    return found
