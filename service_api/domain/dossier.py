"""What a dossier tells beside the entries: every reading with its verdict of that day, every run, every part's time.

All of it follows from the unit's facts in the order of the corrected moment, and from the sheets and gauges around it.
"""

from collections.abc import Callable, Collection, Sequence
from decimal import Decimal
from typing import Literal

from service_api.domain.condition import SlotSpan, latest_of, slot_history
from service_api.domain.conformity import Conformity
from service_api.domain.context import Context, SheetRevision
from service_api.domain.doubts import verdict
from service_api.domain.entries.jobs import ReadingTaken, RunRecorded
from service_api.domain.fold import step
from service_api.domain.readings import baseline, revision_for, sole
from service_api.domain.records import record
from service_api.domain.runs import RunAnswer, judge
from service_api.domain.sheets import Characteristic, applies
from service_api.domain.state import UnitState, begin
from service_api.domain.timeline import Item


@record(kw_only=True)
class ReadingThen:
    """One reading as it counts, judged by the revision that counted for it; hours are the unit's then."""

    entry: str
    at: str
    by: str
    stage: str
    typed: str
    value: Decimal | None
    uom: str
    hours_low: Decimal | None
    hours_high: Decimal | None
    gauge: str | None
    occupant: str | None
    conformity: Conformity | None


@record(kw_only=True)
class Measurement:
    """Everything that was read of one characteristic, in order."""

    characteristic: str
    title: str | None
    uom: str
    slot: str | None
    kind: Literal["limit", "window", "choice"]
    worse: str | None
    readings: tuple[ReadingThen, ...]


@record(kw_only=True)
class RunThen:
    """A run with its verdict, who ran it and where, and what it was run on."""

    at: str
    by: str
    stand: str | None
    minutes: int | None
    sounds: str | None
    conditions: dict[str, object]
    judged: RunAnswer


@record(kw_only=True)
class SlotTime:
    slot: str
    title: str | None
    spans: tuple[SlotSpan, ...]


def measurements(facts: Sequence[Item], shown: Collection[str], unit: str, context: Context) -> tuple[Measurement, ...]:
    """By characteristic in the sheet's order, what no sheet knows last. shown : ids of the entries that may be told"""
    found: dict[str, list[ReadingThen]] = {}
    rows: dict[str, Characteristic] = {}
    state = begin(unit)
    for item in facts:
        state = step(state, item)
        if isinstance(item.body, ReadingTaken) and item.entry.id in shown:
            for row, reading in _told(item, item.body, state, context):
                rows[row.code] = row
                found.setdefault(row.code, []).append(reading)
    return tuple(
        Measurement(
            characteristic=code,
            title=rows[code].title if rows[code].title != code else None,
            uom=rows[code].uom,
            slot=rows[code].slot,
            kind=rows[code].kind,
            worse=rows[code].worse,
            readings=tuple(found[code]),
        )
        for code in sorted(found, key=_in_order(context))
    )


def _in_order(context: Context) -> Callable[[str], tuple[int, str]]:
    last = context.in_force(context.on)
    places = {c.code: n for n, c in enumerate(last.sheet.characteristics)} if last else {}
    return lambda code: (places.get(code, len(places)), code)


def _told(
    item: Item, body: ReadingTaken, state: UnitState, context: Context
) -> list[tuple[Characteristic, ReadingThen]]:
    """The reading under its own row, and under every row that is formed from the same readings."""
    measured = state.measured[body.characteristic]
    taken = next((t for t in (measured.latest, *measured.before) if t.entry == item.entry.id), None)
    if taken is None:
        return []
    revision = revision_for(taken, context)
    variant = state.identity.variant if state.identity else None
    known = [
        c
        for c in (revision.sheet.characteristics if revision else ())
        if body.characteristic in (c.code, c.readings_of) and applies(c, variant)
    ]
    unlisted = Characteristic(code=body.characteristic, title=body.characteristic, uom=body.uom, kind="limit")
    told = []
    for row in known or [unlisted]:
        occupant = sole(state, row.slot)
        first = baseline(measured, occupant if row.slot else None)
        latest, total = latest_of(taken, row), state.hours
        told.append(
            (
                row,
                ReadingThen(
                    entry=taken.entry,
                    at=taken.occurred_at,
                    by=taken.by,
                    stage=taken.stage,
                    typed=_as_typed(body),
                    value=latest.value,
                    uom=row.uom,
                    hours_low=total[0] if total else None,
                    hours_high=total[1] if total else None,
                    gauge=taken.gauge,
                    occupant=occupant.entry if occupant else None,
                    conformity=verdict(taken, row, context, first) if known else None,
                ),
            )
        )
    return told


def _as_typed(body: ReadingTaken) -> str:
    """The readings beside one another, each with its place."""
    return ", ".join(f"{_value(r.value)}{f' at {r.position}' if r.position else ''}" for r in body.readings)


def _value(value: object) -> str:
    if isinstance(value, Decimal):
        return format(value, "f")
    return str(getattr(value, "word", None) or f"not known: {getattr(value, 'unknown', '')}")


def runs(
    facts: Sequence[Item], shown: Collection[str], stated: dict[int, SheetRevision], variant: str | None
) -> tuple[RunThen, ...]:
    """Every run that was recorded, failed ones too, each judged by the revision that it states."""
    return tuple(
        RunThen(
            at=item.occurred_at,
            by=item.entry.by,
            stand=body.stand,
            minutes=body.minutes,
            sounds=body.sounds,
            conditions=dict(item.data["conditions"]),
            judged=judge(body, item.entry.id, stated.get(body.sheet_rev), variant),
        )
        for item in facts
        if isinstance(body := item.body, RunRecorded) and item.entry.id in shown
    )


def slots(facts: Sequence[Item], shown: Collection[str], revision: SheetRevision | None) -> tuple[SlotTime, ...]:
    """Every slot that something went into or came out of, in the sheet's order, with all that was in it."""
    titles = {s.slot: s.title for s in revision.sheet.slots} if revision else {}
    moving = [i for i in facts if i.entry.type in ("part.fitted", "part.removed")]
    named = dict.fromkeys(i.data["slot"] for i in moving)
    order = [*(s for s in titles if s in named), *(s for s in named if s not in titles)]
    found = (
        SlotTime(
            slot=slot,
            title=titles.get(slot),
            spans=tuple(span for span in slot_history(moving, slot) if span.entry in shown),
        )
        for slot in order
    )
    return tuple(time for time in found if time.spans)
