"""What a batch moves: where its entries are found, the units' states, and what several pages claim of one thing."""

from collections.abc import Iterable

from sqlalchemy import Connection

from service_api.domain.entries.registry import TYPES
from service_api.domain.entry import Recorded
from service_api.domain.ledger import Doubt
from service_api.domain.records import replace
from service_api.domain.state import UnitState, begin
from service_api.filing import changes_of, drawn_topics, family_topic, is_context, own_topics, pages_of
from service_api.late import Advanced, Tail, advance, fills, keep_cuts, renewed, since_cut
from service_api.ledgers import merges_moved, pieces_changed, settle, settle_slips, write_claims, write_slips
from service_api.log import driver
from service_api.projections import units
from service_api.projections.changes import change_rows
from service_api.projections.remarks import remark_rows
from service_api.recording.batch import Batch, Drawn
from service_api.recording.memory import Memory


def run(changes: driver.Changes, write: units.Write) -> None:
    if write.rows:
        changes.many(write.sql, write.rows)


def write_topics(memory: Memory, connection: Connection, changes: driver.Changes, batch: Batch) -> None:
    book = memory.book.number
    entries = [entry for _, entry, _ in batch.accepted]
    corrections = [entry for entry in entries if TYPES[entry.type].corrects]
    run(changes, own_topics(book, entries))
    run(changes, units.topic_rows(book, [family_topic(e, batch.roots[e.id]) for e in corrections]))
    for entry in corrections:
        changes.settle()  # where it shows is read from what came before it
        run(changes, units.topic_rows(book, drawn_topics(connection, book, entry, batch.roots[entry.id])))
    if corrections:
        changes.settle()
    moves = (changes_of(connection, book, e, batch.roots.get(e.id, e)) for e in entries)
    run(changes, change_rows(book, [change for found in moves for change in found]))
    moved = [e.index for e in entries if is_context(batch.roots.get(e.id, e))]
    if moved:
        memory.context.clear()
        if any(batch.roots[e.id].kind == "class" for e in corrections):
            memory.forget_sheets()  # a sheet may have gone to another class, or come back
        run(changes, units.context_row(book, max(moved)))
        changes.settle()  # the receipts of this batch are told what it says


def redraw(memory: Memory, connection: Connection, changes: driver.Changes, batch: Batch) -> Drawn:
    """Bring every touched unit's state up to date: one step when in order, `late` what is not."""
    book = memory.book.number
    touched: dict[str, list[Recorded]] = {}
    again: set[str] = set()
    for _, entry, _ in batch.accepted:
        pages = {entry.subject}
        if TYPES[entry.type].corrects:
            pages = pages_of(connection, memory.book.number, batch.roots[entry.id])
            if entry.type != "entry.annotated":
                again |= {p for p in pages if p.startswith("unit:")}
        for page in pages:
            if page.startswith("unit:"):
                touched.setdefault(page, []).append(entry)
    done = Drawn()
    drawn = {page.partition(":")[2] for page in touched} - batch.states.keys()
    states = batch.states | (memory.read_states(connection, drawn) if drawn else {})
    for page, fresh in touched.items():
        unit = page.partition(":")[2]
        state = done.before[unit] = states.get(unit) or begin(unit)
        advanced = _advanced(memory, connection, state, fresh) if page not in again else None
        if advanced is None:
            changes.settle()
            found = renewed(connection, book, state)
            done.after[unit], done.tails[unit], done.remarks[unit] = found.state, found.tail, found.remarks
            continue
        stepped, done.tails[unit] = advanced.state, advanced.tail
        if stepped.remarks:
            done.remarks[unit] = list(stepped.remarks)
            run(changes, remark_rows(book, unit, stepped.remarks))
            stepped = replace(stepped, remarks=())
        done.after[unit] = stepped
        uncut = advanced.tail is None and fills(state, fresh)
        if uncut or (advanced.cuts and not keep_cuts(connection, book, unit, advanced.cuts)):
            changes.settle()
            done.tails[unit] = renewed(connection, book, stepped).tail
    for write in units.stepped_rows(book, done.after.values(), done.before):
        run(changes, write)
    for unit, state in done.after.items():
        if state.tags != done.before[unit].tags:
            units.write_tags(connection, book, state)
    return done


def _advanced(memory: Memory, connection: Connection, state: UnitState, fresh: list[Recorded]) -> Advanced | None:
    """The state after these; what follows the page's last cut is looked up where nobody knows it and it is needed."""
    kept = memory.stepped.get(state.unit)
    tail = (kept and kept.tail) or (None if state.entries else Tail(state))
    known = since_cut(connection, memory.book.number, state) if tail is None and fills(state, fresh) else None
    found = advance(state, fresh, known.tail if known else tail)
    return replace(found, cuts=[*known.cuts, *found.cuts]) if found and known else found


def compare(memory: Memory, connection: Connection, changes: driver.Changes, batch: Batch, drawn: Drawn) -> list[Doubt]:
    """What this batch claims of things that other pages speak of too, and where that contradicts them."""
    book, before, after = memory.book.number, drawn.before, drawn.after
    fresh = [(entry, batch.roots.get(entry.id, entry)) for _, entry, _ in batch.accepted]
    keys = write_claims(connection, changes, book, fresh) | pieces_changed(before, after)

    def states(units: Iterable[str]) -> dict[str, UnitState]:
        wanted = set(units)
        return memory.read_states(connection, wanted - after.keys()) | {u: after[u] for u in wanted & after.keys()}

    if any(state.merged is not None for state in after.values()):
        keys |= merges_moved(after, states)
    found = settle(connection, changes, book, keys, states) if keys else []
    sent = memory.odd(connection, batch, write_slips(changes, book, [e for e, _ in fresh]))
    return found + settle_slips(connection, changes, book, sent, keys) if sent or keys else found
