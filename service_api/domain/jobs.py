"""What a job came to: its parts, what was done, what was left alone, and why a part was changed.

JOB.md questions 22, 35 and 40. All of it is told from facts, each with the entries that it rests on.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from service_api.domain.entries.parts import LotMoved, PartFitted, PartRemoved
from service_api.domain.entries.shared import Piece
from service_api.domain.plain import decimal_text
from service_api.domain.records import record
from service_api.domain.timeline import Item

NIL = "AC-NIL"


@dataclass(kw_only=True)
class JobPart:
    """Pieces of one part number and lot. issued - returned = fitted + scrapped + gap.

    issued : taken out of stock for the job: what `lot.moved` says, else what was fitted
    removed : what came out, by where it went
    """

    part_no: str
    lot: str | None
    issued: int = 0
    returned: int = 0
    fitted: int = 0
    scrapped: int = 0
    gap: int = 0
    removed: dict[str, int] = field(default_factory=dict)
    entries: tuple[str, ...] = ()


def parts(facts: Iterable[Item]) -> list[JobPart]:
    """facts : of the job, on units and on lots"""
    rows: dict[tuple[str, str | None], JobPart] = {}

    def row_of(part_no: str, lot: str | None, item: Item) -> JobPart:
        row = rows.setdefault((part_no, lot), JobPart(part_no=part_no, lot=lot))
        row.entries = tuple(dict.fromkeys((*row.entries, item.entry.id)))
        return row

    for item in facts:
        match item.body:
            case PartFitted(pieces=pieces):
                for piece in pieces:
                    row_of(piece.part_no, piece.lot, item).fitted += piece.qty
            case PartRemoved(pieces=pieces, to=to):
                for piece in pieces or ():
                    row = row_of(piece.part_no, piece.lot, item)
                    row.removed[to] = row.removed.get(to, 0) + piece.qty
            case LotMoved(part_no=part_no, qty=qty, from_=source, to=to):
                row = row_of(part_no, item.entry.subject_id, item)
                row.issued += qty * (source == "stock")
                row.returned += qty * (to == "stock")
                row.scrapped += qty * (to == "scrap")
    for row in rows.values():
        row.issued = row.issued or row.fitted
        row.gap = row.issued - row.returned - row.fitted - row.scrapped
    return list(rows.values())


# What was done, and what was left alone


@record(kw_only=True)
class Done:
    """One thing that was done. what : the activity, the setting and its value, or what became of a part or finding"""

    what: str
    slot: str | None = None
    detail: str | None = None
    minutes: int | None = None
    entries: tuple[str, ...]


@record(kw_only=True)
class LeftAlone:
    """One thing that was not done. answer : `blank`, an answer to a check, `nothing_needed`, or a finding's end"""

    what: str
    answer: str
    slot: str | None = None
    why: str | None = None
    entries: tuple[str, ...]


def done(facts: Iterable[Item]) -> list[Done]:
    """facts : of the job, in order"""
    return [found for item in facts if (found := _done(item)) is not None]


def _done(item: Item) -> Done | None:
    data, entries = item.data, (item.entry.id,)
    match item.entry.type:
        case "work.done" if data["activity"] != NIL:
            return Done(
                what=data["activity"],
                slot=data.get("slot"),
                detail=data.get("detail"),
                minutes=data.get("minutes"),
                entries=entries,
            )
        case "part.fitted":
            return Done(what="fitted", slot=data["slot"], detail=named(item.body.pieces), entries=entries)
        case "part.removed":
            detail = f"{named(item.body.pieces or ())} to {data['to']}".strip()
            return Done(what="removed", slot=data["slot"], detail=detail, entries=entries)
        case "setting.left":
            return Done(what=data["setting"], detail=_quantity(data["value"]), entries=entries)
        case "finding.closed" if data["how"] == "cured":
            return Done(what=f"cured {data['finding']}", detail=data.get("why"), entries=entries)
    return None


def left_alone(job: str, facts: Sequence[Item], blank: Iterable[str]) -> list[LeftAlone]:
    """facts : of the unit, in order; blank : checks of its sheet that nobody answered"""
    mine = [i for i in facts if i.entry.job == job or i.data.get("job") == job]
    opened = tuple(i.entry.id for i in mine if i.entry.type == "job.opened")
    found = [LeftAlone(what=check, answer="blank", entries=opened) for check in blank]
    answered = {i.data["check"]: i for i in mine if i.entry.type == "check.answered"}
    for check, item in answered.items():
        if item.data["answer"] not in ("ok", "defect"):
            why = item.data.get("why")
            found.append(LeftAlone(what=check, answer=item.data["answer"], why=why, entries=(item.entry.id,)))
    for item in mine:
        if item.entry.type == "work.done" and item.data["activity"] == NIL:
            slot, detail = item.data.get("slot"), item.data.get("detail")
            found.append(LeftAlone(what=NIL, answer="nothing_needed", slot=slot, why=detail, entries=(item.entry.id,)))
    ends = {i.data["finding"]: i for i in facts if i.entry.type == "finding.closed"}
    for item in mine:
        if item.entry.type != "finding.raised":
            continue
        end = ends.get(item.data["finding"])
        if end is None or end.data["how"] != "cured":
            found.append(
                LeftAlone(
                    what=item.data["finding"],
                    answer=end.data["how"] if end else "open",
                    slot=item.data.get("slot"),
                    why=(end.data.get("why") if end else None) or item.data["words"],
                    entries=(item.entry.id, *((end.entry.id,) if end else ())),
                )
            )
    return found


def named(pieces: Iterable[Piece]) -> str:
    """The pieces in words: `5 GRP-V18 of lot VN-2311-C`."""
    return ", ".join(
        f"{p.qty} {p.part_no}"
        + (f" serial {p.serial}" if p.serial is not None else "")
        + (f" of lot {p.lot}" if p.lot is not None else "")
        for p in pieces
    )


def _quantity(value: Mapping[str, Any]) -> str:
    return f"{value['value']} {value['uom']}" if "value" in value else f"not known: {value['unknown']}"


# Why a part was changed


@record(kw_only=True)
class LedBy:
    """A reading or a sight: `what` says it in words."""

    entry: str
    type: str
    what: str


@record(kw_only=True)
class ChangeFinding:
    finding: str
    words: str
    mode: str | None
    mechanism: str | None
    cause: str | None
    confidence: str | None
    entry: str


@record(kw_only=True)
class PartChange:
    """What went out of a slot and into it, the findings that say why, and what they came from."""

    unit: str
    slot: str
    out: tuple[Piece, ...]
    fitted: tuple[Piece, ...]
    why: tuple[str, ...]
    findings: tuple[ChangeFinding, ...]
    led_by: tuple[LedBy, ...]
    entries: tuple[str, ...]


def changes(unit: str, job: str, facts: Sequence[Item], slot_of: Mapping[str, str | None]) -> list[PartChange]:
    """Each slot that the job took a part out of or put one into.

    facts : of the unit, in order; slot_of : by characteristic, the slot that it wears with
    """
    touching = [i for i in facts if i.entry.type in ("part.fitted", "part.removed") and i.entry.job == job]
    raised = {i.data["finding"]: i for i in facts if i.entry.type == "finding.raised"}
    found = []
    for slot in dict.fromkeys(i.data["slot"] for i in touching):
        mine = [i for i in touching if i.data["slot"] == slot]
        named_ = [raised[name] for i in mine if (name := i.data.get("finding")) in raised]
        seen = [i for i in raised.values() if i.entry.job == job and i.data.get("slot") == slot]
        why = {i.entry.id: i for i in named_ or seen}
        led_by = [led for item in why.values() for led in _led_to(item, slot, facts, slot_of)]
        if not why:
            led_by = _readings([i for i in facts if i.entry.job == job], slot, slot_of)
        complaint = _complaint_of(job, facts)
        found.append(
            PartChange(
                unit=unit,
                slot=slot,
                out=tuple(p for i in mine if i.entry.type == "part.removed" for p in i.body.pieces or ()),
                fitted=tuple(p for i in mine if i.entry.type == "part.fitted" for p in i.body.pieces),
                why=tuple(i.data["why"] for i in mine if "why" in i.data),
                findings=tuple(map(_finding, why.values())),
                led_by=tuple({led.entry: led for led in (*complaint, *led_by)}.values()),
                entries=tuple(i.entry.id for i in mine),
            )
        )
    return found


def _finding(item: Item) -> ChangeFinding:
    data = item.data
    return ChangeFinding(
        finding=data["finding"],
        words=data["words"],
        mode=data.get("mode"),
        mechanism=data.get("mechanism"),
        cause=data.get("cause"),
        confidence=data.get("confidence"),
        entry=item.entry.id,
    )


def _led_to(finding: Item, slot: str, facts: Sequence[Item], slot_of: Mapping[str, str | None]) -> list[LedBy]:
    """The check that named the finding, and the readings of its slot on that visit, else the last before it."""
    name, job = finding.data["finding"], finding.entry.job
    found = [
        LedBy(entry=i.entry.id, type=i.entry.type, what=f"{i.data['check']}: {i.data['answer']}")
        for i in facts
        if i.entry.type == "check.answered" and i.data.get("finding") == name
    ]
    before = [i for i in facts if i.key < finding.key]
    same_visit = [i for i in before if job is not None and i.entry.job == job]
    return found + (_readings(same_visit, slot, slot_of) or _readings(before, slot, slot_of)[-1:])


def _readings(facts: Iterable[Item], slot: str, slot_of: Mapping[str, str | None]) -> list[LedBy]:
    return [
        LedBy(entry=i.entry.id, type=i.entry.type, what=_read(i))
        for i in facts
        if i.entry.type == "reading.taken"
        and i.data["stage"] != "as_left"
        and slot_of.get(i.data["characteristic"]) == slot
    ]


def _read(item: Item) -> str:
    body = item.body
    values = (getattr(r.value, "word", None) or getattr(r.value, "unknown", None) or r.value for r in body.readings)
    told = " ".join(v if isinstance(v, str) else decimal_text(v) for v in values)
    return f"{body.characteristic} {body.stage.replace('_', ' ')}: {told} {body.uom}"


def _complaint_of(job: str, facts: Sequence[Item]) -> list[LedBy]:
    named_ = {i.data.get("complaint") for i in facts if i.entry.type == "job.opened" and i.data["job"] == job} - {None}
    return [
        LedBy(entry=i.entry.id, type=i.entry.type, what=i.data["words"])
        for i in facts
        if i.entry.type == "complaint.reported" and i.data["complaint"] in named_
    ]
