"""Entries as a client sends them: plain dicts with fixed defaults. The value under test is spelled out in the test.

`EntryFactory` makes any entry; the functions below it make the types that tests use most. Each takes what matters of
its data by position and members of the envelope by keyword: `reading("0.31", occurred_at="...", job="J-1")`.
"""

from typing import Any

import factory

PERSON, SECOND = "ada.bench", "lou.lead"
# Who sends what a bench hand may not (CONTRACT A, Rights); all else is PERSON's
SENDERS = {
    "unit.registered": "sam.stores",
    "unit.merged": "mo.manager",
    "unit.sold": "sam.stores",
    "unit.retired": "mo.manager",
    "tag.attached": "sam.stores",
    "tag.detached": "sam.stores",
    "service.planned": "sam.stores",
    "lot.received": "sam.stores",
    "lot.moved": "sam.stores",
    "part.sold": "sam.stores",
    "gauge.calibrated": "qi.quality",
    "sheet.issued": "qi.quality",
    "codes.issued": "qi.quality",
    "alert.issued": "qi.quality",
    "alert.closed": "qi.quality",
    "exam.recorded": "qi.quality",
    "authorisation.granted": "qi.quality",
    "authorisation.ended": "qi.quality",
    "hold.lifted": "lou.lead",
    "concession.granted": "sig.signatory",
    "concession.ended": "sig.signatory",
    "release.reissued": "sig.signatory",
    "entry.superseded": "mo.manager",
    "entry.withdrawn": "mo.manager",
    "entry.reattributed": "mo.manager",
    "dispute.settled": "mo.manager",
    "terms.issued": "mo.manager",
    "goodwill.granted": "mo.manager",
    "supplier.notified": "mo.manager",
    "supplier.returned": "mo.manager",
    "supplier.settled": "mo.manager",
}
UNIT, CLASS, GAUGE = "U-1", "TST", "G-1"
AT = "2026-01-05T09:00:00+01:00"  # four hours before the fake clock


def entry_id(n: int) -> str:
    """The n-th id: a dashed UUID of version 7 that can be read in a failing test."""
    return f"00000000-0000-7000-8000-{n:012d}"


class EntryFactory(factory.Factory):
    """One entry; ids count up from 0 in each test."""

    class Meta:
        model = dict

    id = factory.Sequence(entry_id)
    type = "tag.scanned"
    v = 1
    subject = f"unit:{UNIT}"
    occurred_at = AT
    by = factory.LazyAttribute(lambda made: SENDERS.get(made.type, PERSON))
    data: Any = factory.LazyFunction(dict)


def entry(type_: str, data: dict[str, Any], **envelope: Any) -> dict[str, Any]:
    """`unit=` is short for the subject of a unit."""
    if "unit" in envelope:
        envelope["subject"] = f"unit:{envelope.pop('unit')}"
    return EntryFactory(type=type_, data=data, **envelope)


def q(value: str, uom: str) -> dict[str, str]:
    return {"value": value, "uom": uom}


def without_none(data: dict[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in data.items() if value is not None}


# Units and tags


def registered(unit: str = UNIT, class_: str = CLASS, *, more: Any = None, **envelope: Any) -> dict[str, Any]:
    data = {"class": class_, "origin": "new"} | (more or {})
    return entry("unit.registered", data, unit=unit, **envelope)


def tag_attached(tag: str, **envelope: Any) -> dict[str, Any]:
    return entry("tag.attached", {"tag": tag, "evidence": ["engraved serial"]}, **envelope)


def tag_detached(tag: str, why: str = "lost", **envelope: Any) -> dict[str, Any]:
    return entry("tag.detached", {"tag": tag, "why": why}, **envelope)


def scanned(**envelope: Any) -> dict[str, Any]:
    """The shortest entry there is."""
    return entry("tag.scanned", {}, **envelope)


def received(site: str = "north-shed", **envelope: Any) -> dict[str, Any]:
    return entry("unit.received", {"site": site, "reason": "service"}, **envelope)


def dispatched(to: str = "party-a", **envelope: Any) -> dict[str, Any]:
    return entry("unit.dispatched", {"to": to}, **envelope)


def meter_read(hours: str, **envelope: Any) -> dict[str, Any]:
    return entry("meter.read", {"meter": "hours", "value": q(hours, "h"), "how": "read"}, **envelope)


# Work


def job_opened(job: str = "J-1", purpose: str = "service", **envelope: Any) -> dict[str, Any]:
    return entry("job.opened", {"job": job, "purpose": purpose}, job=job, **envelope)


def reading(
    *values: str,
    characteristic: str = "TST-BL",
    stage: str = "as_found",
    uom: str = "circ",
    hours: str | None = None,
    gauge: str | None = None,
    more: Any = None,
    **envelope: Any,
) -> dict[str, Any]:
    """One `reading.taken` with these values; `hours` on the unit, in h."""
    data = without_none(
        {
            "characteristic": characteristic,
            "stage": stage,
            "uom": uom,
            "readings": [{"value": value} for value in values],
            "gauge": gauge,
            "hours": None if hours is None else q(hours, "h"),
        }
    )
    return entry("reading.taken", data | (more or {}), **envelope)


def check_answered(check: str = "guards", answer: str = "ok", **envelope: Any) -> dict[str, Any]:
    return entry("check.answered", {"check": check, "answer": answer}, **envelope)


def finding_raised(
    finding: str = "F-1", *, blocking: bool = False, more: Any = None, **envelope: Any
) -> dict[str, Any]:
    data = {"finding": finding, "words": "play in the thread", "blocking": blocking}
    return entry("finding.raised", data | (more or {}), **envelope)


def finding_closed(finding: str = "F-1", how: str = "cured", **envelope: Any) -> dict[str, Any]:
    return entry("finding.closed", {"finding": finding, "how": how}, **envelope)


def work_done(activity: str = "AC-ADJ", *, more: Any = None, **envelope: Any) -> dict[str, Any]:
    return entry("work.done", {"activity": activity} | (more or {}), **envelope)


def complaint_reported(complaint: str = "C-1", **envelope: Any) -> dict[str, Any]:
    data = {"complaint": complaint, "words": "it jumps when wound back", "mode": "MD-LST"}
    return entry("complaint.reported", data, **envelope)


def run_recorded(run: str = "R-1", stage: str = "final", *results: Any, **envelope: Any) -> dict[str, Any]:
    data = {"run": run, "stage": stage, "sheet_rev": 1, "conditions": {}, "results": list(results)}
    return entry("run.recorded", data, **envelope)


# Parts


def piece(part_no: str = "P-1", qty: int = 1, **more: Any) -> dict[str, Any]:
    return {"part_no": part_no, "qty": qty, **more}


def fitted(slot: str = "feed-nut", *pieces: dict[str, Any], **envelope: Any) -> dict[str, Any]:
    return entry("part.fitted", {"slot": slot, "pieces": list(pieces) or [piece()], "from": "stock"}, **envelope)


def removed(slot: str = "feed-nut", *pieces: dict[str, Any], to: str = "scrap", **envelope: Any) -> dict[str, Any]:
    data: dict[str, Any] = {"slot": slot, "to": to} | ({"pieces": list(pieces)} if pieces else {})
    return entry("part.removed", data, **envelope)


def lot_received(lot: str = "L-1", qty: int = 10, **envelope: Any) -> dict[str, Any]:
    data = {"part_no": "P-1", "qty": qty, "supplier": "party-s"}
    return entry("lot.received", data, **({"subject": f"lot:{lot}"} | envelope))


# Prove and let go


def released(release: str = "REL-1", kind: str = "full", *, more: Any = None, **envelope: Any) -> dict[str, Any]:
    return entry("unit.released", {"release": release, "kind": kind} | (more or {}), **envelope)


def hold_placed(hold: str = "H-1", lift_by: str = "lead", **envelope: Any) -> dict[str, Any]:
    return entry("hold.placed", {"hold": hold, "why": "to be looked at", "lift_by": lift_by}, **envelope)


def hold_lifted(hold: str = "H-1", **envelope: Any) -> dict[str, Any]:
    return entry("hold.lifted", {"hold": hold, "why": "looked at"}, **envelope)


def service_planned(due_on: str, **envelope: Any) -> dict[str, Any]:
    return entry("service.planned", {"due_on": due_on}, **envelope)


# Gauges, sheets, alerts, people


def gauge_calibrated(gauge: str = GAUGE, due: str = "2027-01-01", **envelope: Any) -> dict[str, Any]:
    data = {"as_found": [{"at": "0.50", "error": "0.000"}], "allowed_error": "0.008", "uom": "mm", "due": due}
    return entry("gauge.calibrated", data, unit=gauge, **envelope)


def backlash(**changes: Any) -> dict[str, Any]:
    """A guarded limit of 0.33 turn, U 0.02, so that it acts at 0.31."""
    row = {
        "code": "TST-BL",
        "title": "backlash",
        "uom": "circ",
        "kind": "limit",
        "worse": "higher",
        "form": "max",
        "slot": "feed-nut",
        "watch": "0.20",
        "replace": "0.33",
        "uncertainty": "0.02",
        "rule": "guarded",
    }
    return without_none(row | changes)


def offset(**changes: Any) -> dict[str, Any]:
    """A plain limit of 0.25 mm that belongs to the unit, not to a slot."""
    row = {"code": "TST-AC", "title": "offset", "uom": "mm", "kind": "limit", "worse": "higher", "form": "max"}
    return without_none(row | {"watch": "0.10", "replace": "0.25", "rule": "simple"} | changes)


def sheet(**changes: Any) -> dict[str, Any]:
    """A small service sheet: two characteristics, two slots, two checks, one test."""
    whole = {
        "title": "test machine",
        "family": "machine",
        "meters": [{"meter": "hours", "uom": "h"}],
        "characteristics": [backlash(), offset()],
        "slots": [
            {"slot": "feed-nut", "title": "feed nut", "pieces": 1, "traced": "lot", "wear_part": True},
            {"slot": "bearing", "title": "bearing", "pieces": 1, "traced": "each"},
        ],
        "checks": [
            {"check": "guards", "title": "guards in place", "blocking": True},
            {"check": "labels", "title": "labels readable", "blocking": False},
        ],
        "tests": [{"test": "free-speed", "title": "free speed", "uom": "{rev}/min", "low": "58", "blocking": True}],
        "complaints": [],
        "cautions": [],
        "service": {"months": 6},
        "release": {},
    }
    return without_none(whole | changes)


def sheet_issued(
    class_: str = CLASS, rev: int = 1, effective_on: str = "2025-01-01", *, changes: Any = None, **envelope: Any
) -> dict[str, Any]:
    data = {"rev": rev, "effective_on": effective_on, "sheet": sheet(**(changes or {}))}
    return entry("sheet.issued", data, **({"subject": f"class:{class_}"} | envelope))


def alert_issued(alert: str = "A-1", *, action: str = "stop_use", scope: Any = None, **envelope: Any) -> dict[str, Any]:
    data = {"source": "maker's letter", "action": action, "scope": scope or {"part_no": "P-1"}, "words": "may part"}
    return entry("alert.issued", data, **({"subject": f"alert:{alert}"} | envelope))


def authorised(person: str = PERSON, *tasks: str, from_on: str = "2025-01-01", **envelope: Any) -> dict[str, Any]:
    data = {"classes": ["*"], "tasks": list(tasks) or ["bench"], "from_on": from_on}
    return entry("authorisation.granted", data, **({"subject": f"person:{person}"} | envelope))


# Corrections: they stand on the subject of their target


def superseded(
    target: dict[str, Any], data: dict[str, Any], *, at: str | None = None, **envelope: Any
) -> dict[str, Any]:
    """`at` is the true moment that replaces the target's."""
    body = {"target": target["id"], "data": data, "why": "misread"} | ({"occurred_at": at} if at else {})
    return entry("entry.superseded", body, **({"subject": target["subject"]} | envelope))


def withdrawn(target: dict[str, Any], **envelope: Any) -> dict[str, Any]:
    body = {"target": target["id"], "why": "never happened"}
    return entry("entry.withdrawn", body, **({"subject": target["subject"]} | envelope))


def reattributed(target: dict[str, Any], to: str, **envelope: Any) -> dict[str, Any]:
    body = {"target": target["id"], "to": to, "why": "labels were crossed", "second": SECOND}
    return entry("entry.reattributed", body, **({"subject": target["subject"]} | envelope))


def annotated(target: dict[str, Any], note: str = "seen", **envelope: Any) -> dict[str, Any]:
    body = {"target": target["id"], "note": note}
    return entry("entry.annotated", body, **({"subject": target["subject"]} | envelope))


def disputed(target: dict[str, Any], **envelope: Any) -> dict[str, Any]:
    body = {"target": target["id"], "why": "the customer says otherwise", "party": "party-a"}
    return entry("entry.disputed", body, **({"subject": target["subject"]} | envelope))


def settled(target: dict[str, Any], outcome: str = "upheld", **envelope: Any) -> dict[str, Any]:
    body = {"target": target["id"], "outcome": outcome, "why": "looked at the iron"}
    return entry("dispute.settled", body, **({"subject": target["subject"]} | envelope))
