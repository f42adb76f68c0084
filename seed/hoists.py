"""Three hoists: an examination that falls into a hire, a signature that had lapsed, one that was scrapped for parts.

JOB.md 8.1, S12 (ACH-002), S13 (ACH-004) and S8 (ACH-005).
"""

from datetime import date
from typing import Any

from .depot import UNITS
from .dull import passed, serviced
from .stories import BERTIL, FEN, FERRIES, HARL, ISKA, JUNO, ORRIN, PELL, SLIPWORKS, VANES, WHERE, Day, Step, q, sheet

HOIST = {unit["id"]: unit for unit in UNITS if unit["class"] == "ACH"}
KEPT = (  # in ACH-005 from before the records: slot, part number, serial or lot, pieces
    ("load-chain", "SK-LC-10", {"serial": "LC-5120"}, 1),
    ("bottom-hook", "SK-BH-10", {"serial": "BH-5120"}, 1),
    ("top-hook", "SK-TH-10", {"serial": "TH-5120"}, 1),
    ("brake-disc-set", "SK-BD-10", {"lot": "BD-2012"}, 1),
    ("pendant", "SK-PD-10", {"serial": "PD-5120"}, 1),
    ("throttle-spool", "SK-TS-10", {"serial": "TS-5120"}, 1),
    ("silencer", "SK-EX-10", {"lot": "EX-2011"}, 1),
)
HARVEST = ("pendant", "throttle-spool", "silencer")


def sent(steps: list[Step], unit: str, on: str, to: str, until: str, release: str) -> None:
    day = Day(steps, f"unit:{unit}", on, "09:10", BERTIL, site="port-cendry")
    hire = {"from": on, "until": until}
    day.add("unit.dispatched", {"to": to, "site": WHERE[to], "hire": hire, "release": release})
    day.tell()


def taken_back(steps: list[Step], unit: str, on: str, customer: str, reason: str, site: str = "port-cendry") -> None:
    day = Day(steps, f"unit:{unit}", on, "10:20", BERTIL, site=site)
    day.add("unit.received", {"site": site, "reason": reason, "customer": customer})
    day.tell()


def proved(day: Day, work: dict[str, Any], sheet_rev: int) -> None:
    """Checks and final run of a job, which is closed; the book hears of it."""
    for check in sheet("ACH")["checks"]:
        day.add("check.answered", {"check": check["check"], "answer": "ok"}, minutes=1, **work)
    day.add("energy.restored", {"source": "line air"}, **work)
    conditions, results = passed("ACH", "")
    run: dict[str, Any] = {"run": f"R-{work['job'][2:10]}-1", "stage": "final", "stand": "port-cendry-1"}
    run |= {"sheet_rev": sheet_rev, "conditions": conditions, "results": results, "minutes": 25}
    day.add("run.recorded", run, by=FEN, minutes=25, **work)
    day.add("job.closed", {"job": work["job"]}, **work)
    day.tell()


def exam_inside_a_hire() -> list[Step]:
    """S12: examined to 30 September 2024, and a hire asked for from 16 September to 14 October."""
    steps: list[Step] = []
    day = serviced(steps, HOIST["ACH-002"], 1, date(2024, 9, 10), ORRIN, HARL)
    day.add("service.planned", {"due_on": "2025-09-09", "why": "agreed at the service before"}, by=BERTIL)
    day.tell()
    # the hire desk asks on 12 September and is told to have it examined first, which is done on the 13th (dull.py)
    job, release, hire = "J-20240910-ACH-002", "REL-20240913-ACH-002", {"from": "2024-09-16", "until": "2024-10-14"}
    day = Day(steps, "unit:ACH-002", "2024-09-13", "14:00", ISKA)
    signed = {"release": release, "job": job, "kind": "full", "second": PELL, "hire": hire}
    day.add("unit.released", signed, job=job)
    day.tell()
    sent(steps, "ACH-002", "2024-09-16", FERRIES, "2024-10-14", release)
    taken_back(steps, "ACH-002", "2024-10-15", FERRIES, "back from hire")
    return steps


def lapsed_signature() -> list[Step]:
    """S13: Pell's sign-off for hoists ended on 30 April 2025; he signs on 13 May, which the audit finds on the 19th."""
    steps: list[Step] = []
    day = Day(steps, f"person:{PELL}", "2024-05-02", "08:30", ISKA)
    allowed = {"classes": ["ACH"], "tasks": ["release"], "from_on": "2024-05-02", "until_on": "2025-04-30"}
    day.add("authorisation.granted", allowed | {"level": "hoists"})
    day.tell()
    serviced(steps, HOIST["ACH-004"], 1, date(2025, 5, 12), JUNO, SLIPWORKS)
    day = Day(steps, "unit:ACH-004", "2025-05-13", "09:30", PELL)
    job = "J-20250512-ACH-004"
    signed = {"release": "REL-20250513-ACH-004", "job": job, "kind": "full", "second": ORRIN}
    day.add("unit.released", signed, job=job, ref="s13-lapsed", offline=True)
    day.tell()
    day = Day(steps, "unit:ACH-004", "2025-05-19", "11:00", ISKA)
    why = "the audit of signatures: Pell's sign-off for hoists ended on 30 April; check again and sign again"
    day.add("hold.placed", {"hold": "H-20250519-1", "why": why, "lift_by": "manager"})
    day.add("entry.annotated", {"target": "@s13-lapsed", "note": "not authorised on 13 May 2025; see the hold"})
    day.tell()

    again = "J-20250521-ACH-004"
    day = Day(steps, "unit:ACH-004", "2025-05-21", "08:30", FEN, site="port-cendry", bench="bench-1")
    day.add("job.opened", {"job": again, "purpose": "other"}, job=again)
    proved(day, {"job": again}, 3)
    lifted = {"hold": "H-20250519-1", "why": "checked again from end to end"}
    day.add("hold.lifted", lifted, by=ISKA, job=again)
    signed = {"release": "REL-20250521-ACH-004", "job": again, "kind": "full", "second": ORRIN}
    day.add("unit.released", signed, by=ISKA, job=again, ref="s13-signed-again")
    day.tell()
    sent(steps, "ACH-004", "2025-05-22", SLIPWORKS, "2025-09-30", "REL-20250521-ACH-004")
    taken_back(steps, "ACH-004", "2025-10-01", SLIPWORKS, "back from hire")
    return steps


def scrapped_for_parts() -> list[Step]:
    """S8: dropped on a quay, reported on 12 August 2024, scrapped on the 14th; its vanes are taken all the same."""
    steps: list[Step] = []
    old = {"source": {"kind": "history", "ref": "bench ledger 7"}, "site": "port-cendry"}
    day = Day(steps, "unit:ACH-005", "2022-03-02", "08:40", ORRIN, **old)
    for slot, part_no, name, qty in KEPT:
        piece = {"part_no": part_no, "qty": qty, "hours": q("498.8", "h")} | name
        day.add("part.fitted", {"slot": slot, "pieces": [piece]}, minutes=1)
    day.tell()

    job, release = "J-20240206-ACH-005", "REL-20240207-ACH-005"
    common: dict[str, Any] = {"job": job, "site": "port-cendry", "bench": "bench-1"}
    day = Day(steps, "unit:ACH-005", "2024-02-06", "09:00", ORRIN)
    day.add("job.opened", {"job": job, "purpose": "repair"}, **common)
    isolated = {"source": "line air", "device": "at the bench", "proof": {"method": "tried to lift"}}
    day.add("energy.isolated", isolated, **common)
    day.add("meter.read", {"meter": "hours", "value": q("931.2", "h"), "how": "read"}, **common)
    vanes = {"part_no": "GRP-V18", "lot": VANES, "qty": 5, "condition": "new"}
    day.add("part.fitted", {"slot": "vane-set", "pieces": [vanes], "from": "stock"}, minutes=40, **common)
    proved(day, common, 2)
    hire = {"from": "2024-02-08", "until": "2024-08-30"}
    signed = {"release": release, "job": job, "kind": "full", "second": PELL, "hire": hire}
    day.add("unit.released", signed, by=ISKA, job=job)
    day.tell()
    sent(steps, "ACH-005", "2024-02-08", HARL, "2024-08-30", release)

    day = Day(steps, "unit:ACH-005", "2024-08-12", "07:50", FEN, site="harl-array")
    words = "It came off the sling and fell three metres onto the quay. The top hook is bent and the chain jumped."
    reported = {"complaint": "C-20240812-1", "words": words, "mode": "MD-DMG", "customer": HARL, "stop_use": True}
    day.add("complaint.reported", reported | {"effect": "EF-5", "moved_since": "yes"})
    day.tell()
    taken_back(steps, "ACH-005", "2024-08-13", HARL, "complaint")
    day = Day(steps, "unit:ACH-005", "2024-08-13", "13:00", ORRIN, site="port-cendry", bench="bench-1")
    day.add("meter.read", {"meter": "hours", "value": q("1204.6", "h"), "how": "read"})
    raised = {
        "finding": "F-20240813-1",
        "words": "Body cracked at the suspension, top hook bent. Whatever carried the load was shocked.",
        "slot": "top-hook",
        "mode": "MD-DMG",
        "mechanism": "MC-CRK",
        "cause": "CS-KNK",
        "confidence": "seen",
        "detection": "DT-USR",
        "blocking": True,
    }
    day.add("finding.raised", raised)
    day.tell()
    day = Day(steps, "unit:ACH-005", "2024-08-14", "10:00", ISKA, site="port-cendry")
    retired = {"why": "dropped on a quay: body cracked", "authorised_by": ISKA, "harvest_allowed": list(HARVEST)}
    day.add("unit.retired", retired | {"destroyed": ["plate"]})
    day.tell()
    day = Day(steps, "unit:ACH-005", "2024-08-15", "09:00", ORRIN, site="port-cendry", bench="bench-1")
    for slot, part_no, name, qty in KEPT:
        out = {"slot": slot, "pieces": [{"part_no": part_no, "qty": qty} | name]}
        harvested = {"to": "stock", "why": "harvested"} if slot in HARVEST else {"to": "scrap", "why": "shock-loaded"}
        day.add("part.removed", out | harvested, minutes=10)
    day.tell()

    # Kelderwick wants vanes; its bench is offline and is heard of in the evening of the next day
    taken_back(steps, "SEL-008", "2024-08-20", HARL, "back from hire, weak motor", "kelderwick")
    offline: dict[str, Any] = {"site": "kelderwick", "bench": "bench-2", "device": {"id": "kw-bench-1"}}
    day = Day(steps, "unit:ACH-005", "2024-08-21", "10:10", PELL, **offline)
    day.add(
        "part.removed", {"slot": "vane-set", "pieces": [vanes], "to": "unit:SEL-008"}, ref="s8-vanes-out", minutes=20
    )
    fitted = {"slot": "vane-set", "pieces": [vanes | {"condition": "used"}], "from": "unit:ACH-005"}
    day.add("part.fitted", fitted, subject="unit:SEL-008", ref="s8-vanes-in", minutes=30)
    day.tell(1, at="17:30")
    day = Day(steps, "unit:ACH-005", "2024-08-26", "09:00", ISKA)
    why = "the vane set is in SEL-008; nobody is to take from scrap what the decision does not name"
    day.add("hold.lifted", {"hold": "scan-after-scrap:@s8-vanes-out", "why": why})
    day.tell()
    # its tag is scanned there half a year later
    day = Day(steps, "unit:ACH-005", "2025-02-03", "08:40", PELL, site="kelderwick", bench="bench-2")
    day.add("tag.scanned", {"place": "bench"}, tag="@tag:ACH-005", tag_read="scanned", ref="s8-came-back")
    day.tell()
    return [*steps, *harvested_pendant()]


def harvested_pendant() -> list[Step]:
    """S8: a piece that might be taken goes on in ACH-008, with the hours that it had."""
    steps: list[Step] = []
    job, release = "J-20250304-ACH-008", "REL-20250304-ACH-008"
    common: dict[str, Any] = {"job": job, "site": "port-cendry", "bench": "bench-1"}
    day = Day(steps, "unit:ACH-008", "2025-03-04", "09:00", ORRIN)
    day.add("job.opened", {"job": job, "purpose": "repair"}, **common)
    isolated = {"source": "line air", "device": "at the bench", "proof": {"method": "tried to lift"}}
    day.add("energy.isolated", isolated, **common)
    pendant = {"part_no": "SK-PD-10", "serial": "PD-5120", "qty": 1, "condition": "used"}
    day.add("part.fitted", {"slot": "pendant", "pieces": [pendant], "from": "stock"}, minutes=30, **common)
    proved(day, common, 3)
    signed = {"release": release, "job": job, "kind": "full", "second": PELL}
    day.add("unit.released", signed, by=ISKA, job=job)
    day.tell()
    return steps


def steps() -> list[Step]:
    return [*exam_inside_a_hire(), *lapsed_signature(), *scrapped_for_parts()]
