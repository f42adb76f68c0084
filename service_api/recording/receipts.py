"""What the receipts of a batch say beside the leaf: the discrepancies that it raised, and warnings."""

from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator
from datetime import date
from functools import partial
from typing import Any

import orjson
from sqlalchemy import Connection

from service_api.directory import attachments, people
from service_api.domain.context import Context
from service_api.domain.discrepancies import Discrepancy, discrepancy
from service_api.domain.doubts import RAISING, joined
from service_api.domain.entries.registry import TYPES
from service_api.domain.ledger import Doubt, merged
from service_api.domain.moments import day_in
from service_api.domain.plain import answer, plain
from service_api.domain.records import replace
from service_api.domain.references import references
from service_api.domain.state import UnitState
from service_api.domain.warnings import Remark, remarks
from service_api.log import driver
from service_api.pages import authorisations, gauge_record, open_alerts, sheet_revisions
from service_api.recording.batch import Batch, Drawn
from service_api.recording.memory import Memory
from service_api.recording.offline import judged


def say(
    memory: Memory,
    connection: Connection,
    changes: driver.Changes,
    batch: Batch,
    drawn: Drawn,
    between: list[Doubt],
) -> list[bytes | None]:
    """What the receipt of each entry says beside the leaf: discrepancies raised, and warnings."""
    raised: dict[str, list[Any]] = {}
    for unit, state in drawn.after.items():
        if state.raised is not drawn.before[unit].raised or unit in drawn.remarks:
            for known in drawn.raised(unit):
                found = discrepancy(known.code, known.entry, unit, known.entries, known.detail)
                # a late entry may show that an earlier one cannot be right: its own receipt says so
                owner = known.entry if known.entry in batch.by_id else _cause(batch, known.entries, unit)
                raised.setdefault(owner, []).append(answer(found))
    for doubt in merged(between):
        owner = doubt.entry if doubt.entry in batch.by_id else batch.accepted[-1][1].id
        raised.setdefault(owner, []).append(answer(doubt.shown))
    for found_beside in _joined(memory, connection, batch, drawn):
        raised.setdefault(found_beside.key.partition(":")[2], []).append(answer(found_beside))
    for found_at_gate in judged(connection, changes, memory.book, batch, drawn):
        raised.setdefault(found_at_gate.key.partition(":")[2], []).append(answer(found_at_gate))
    parties = _unknown_parties(memory, connection, batch)
    missing = _awaited(memory, connection, batch)
    said: list[bytes | None] = []
    for _, entry, _ in batch.accepted:
        reading = entry.type == "reading.taken"
        row = memory.row(connection, batch, entry.subject_id, entry.body.characteristic) if reading else None
        found_here = raised.get(entry.id, [])
        if reading and row is None:
            detail = f"{entry.body.characteristic} is on no sheet of the class"
            unknown = discrepancy("unknown-characteristic", entry.id, entry.subject_id, (entry.id,), detail)
            found_here = [*found_here, answer(unknown)]
        words = [*remarks(entry, row), *parties.get(entry.id, ()), *missing.get(entry.id, ())]
        if found_here or words:
            said.append(orjson.dumps({"discrepancies": found_here, "warnings": [plain(w) for w in words]}))
        else:
            said.append(None)
    return said


def _joined(memory: Memory, connection: Connection, batch: Batch, drawn: Drawn) -> Iterator[Discrepancy]:
    """What entries of this batch raise by what stands beside their page; unknown characteristics are told apart."""
    fresh: dict[str, set[str]] = defaultdict(set)
    for _, entry, _ in batch.accepted:
        if entry.type in RAISING:
            fresh[entry.subject].add(entry.id)
    for unit, state in drawn.after.items() if fresh else ():
        here = fresh.get(f"unit:{unit}")
        if here and state.identity is not None:
            context = _context(memory, connection, batch, state, state.identity.class_, here)
            yield from (d for d in joined(state, context, here) if d.code != "unknown-characteristic")


def _context(
    memory: Memory, connection: Connection, batch: Batch, state: UnitState, class_: str, fresh: Collection[str]
) -> Context:
    """As much of what is around the unit as these entries of it are held against."""
    book = memory.book.number
    gauges = [m.latest.gauge for m in state.measured.values() if m.latest.entry in fresh and m.latest.gauge]
    signed = [p for s in state.signatures if s.entry in fresh for p in (s.by, s.second) if p]
    around: Context = memory.once("class", class_, partial(_around, memory, connection, batch, class_))
    return replace(
        around,
        on=day_in(batch.accepted[0][1].heard, memory.book.zone),
        gauges={g: memory.once("gauge", g, partial(gauge_record, connection, book, g)) for g in gauges},
        authorised={p: memory.once("person", p, partial(authorisations, connection, book, p)) for p in signed},
    )


def _around(memory: Memory, connection: Connection, batch: Batch, class_: str) -> Context:
    """What is around every unit of the class: its sheets, those of this batch too, and the open alerts."""
    book = memory.book.number
    issued = any(e.subject == f"class:{class_}" for e in batch.by_id.values())
    sheets = sheet_revisions(connection, book, class_) if issued else memory.sheets_of(connection, class_)
    alerts = memory.once("alerts", "", partial(open_alerts, connection, book))
    return Context(zone=memory.book.zone, on=date.min, sheets=tuple(sheets), alerts=tuple(alerts))


def _unknown_parties(memory: Memory, connection: Connection, batch: Batch) -> dict[str, list[Remark]]:
    named = {e.id: found for _, e, _ in batch.accepted if (found := [r for r in references(e) if r.kind == "party"])}
    if not named:
        return {}
    wanted = {r.ident for found in named.values() for r in found}
    missing_here = wanted - memory.parties
    if missing_here:
        memory.parties |= people.known_ids(connection, memory.book.number, "party", missing_here)
    known = memory.parties
    return {
        ident: [
            Remark(warning="unknown-party", pointer=r.pointer, words=f"{r.ident} is not in the directory of parties")
            for r in found
            if r.ident not in known
        ]
        for ident, found in named.items()
    }


def _awaited(memory: Memory, connection: Connection, batch: Batch) -> dict[str, list[Remark]]:
    wanted = {a.sha256 for _, e, _ in batch.accepted for a in e.attachments or ()}
    if not wanted:
        return {}
    have = attachments.known_digests(connection, memory.book.number, wanted)
    return {
        e.id: [
            Remark(warning="attachment-awaited", pointer=f"/attachments/{n}", words="its bytes have not arrived yet")
            for n, a in enumerate(e.attachments or ())
            if a.sha256 not in have
        ]
        for _, e, _ in batch.accepted
    }


def _cause(batch: Batch, entries: Iterable[str], unit: str) -> str:
    """The entry of this batch that brought a contradiction to light."""
    here = [e.id for _, e, _ in batch.accepted if e.subject == f"unit:{unit}" or TYPES[e.type].corrects]
    return next((e for e in entries if e in here), here[-1])
