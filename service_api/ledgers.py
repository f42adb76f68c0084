"""Where pages speak of the same thing: claims are written with their entries, and doubts follow from the claims.

Appending and redrawing write here; answering asks here, about now by the rows, about then by the claims themselves.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from datetime import datetime
from itertools import pairwise
from typing import Any, NamedTuple, Protocol

from sqlalchemy import Connection

from service_api.domain.entry import Recorded
from service_api.domain.ledger import (
    CLAIMING,
    LIFTED,
    MERGED,
    Doubt,
    Line,
    claims,
    compared,
    doubts,
    latest,
    lift_key,
    merged,
    pieces_in,
)
from service_api.domain.moments import in_utc
from service_api.domain.slips import DEVICES, LIFTABLE, Slip, cause, slip_of
from service_api.domain.slips import doubts as doubts_of_slips
from service_api.domain.state import UnitState
from service_api.domain.timeline import Item, simple_item
from service_api.filing import pages_of
from service_api.pages import draw_unit, find_entry, history_of
from service_api.projections import ledger as rows
from service_api.projections import slips
from service_api.projections.units import Write, last_index


class Writes(Protocol):
    """Where rows are put; what waits there is settled before anything is read that rests on it."""

    def many(self, sql: str, rows: Iterable[Sequence[Any]], /) -> None: ...

    def settle(self) -> None: ...


ReadStates = Callable[[Iterable[str]], Mapping[str, UnitState]]


def write_claims(
    connection: Connection, writes: Writes, book: int, fresh: Sequence[tuple[Recorded, Recorded]]
) -> dict[str, None]:
    """Write what these entries claim, and give the keys whose claims are to be compared anew.

    fresh : entries in the order of the book, each with the fact that it is about in the end; their topics are written
    """
    lines = [line for entry, root in fresh if entry is root for line in own_lines(entry)]
    _run(writes, rows.line_rows(book, lines))
    for entry, root in fresh:
        if entry is not root and root.type in CLAIMING and entry.type not in ("entry.annotated", "entry.disputed"):
            writes.settle()
            again = _corrected(connection, book, entry, root)
            _run(writes, rows.line_rows(book, again))
            lines += again
    keys = compared(line.key for line in lines)
    for line in (line for line in lines if line.key.startswith(f"{MERGED}/")):
        writes.settle()
        keys |= compared(rows.keys_of(connection, book, line.subject))  # what one iron claims contradicts itself not
    return dict.fromkeys(sorted(keys))


def own_lines(fact: Recorded) -> list[Line]:
    """What a fact claims, as long as nothing corrects it."""
    return _lines(simple_item(fact), fact.subject, fact.index) if fact.type in CLAIMING else []


def _run(writes: Writes, write: Write) -> None:
    if write.rows:
        writes.many(write.sql, write.rows)


def _lines(item: Item, subject: str, since: int) -> list[Line]:
    entry = item.entry
    return [
        Line(key, entry.index, since, entry.id, subject, True, in_utc(item.at, 6), entry.device_seq, entry.type, said)
        for key, said in claims(item, subject).items()
    ]


def _corrected(connection: Connection, book: int, entry: Recorded, root: Recorded) -> list[Line]:
    """The lines of a fact that a correction changes, as far as the book goes up to it."""
    known = entry.index + 1
    now: dict[str, Line] = {}
    for page in sorted(pages_of(connection, book, root, known)):
        for item in history_of(connection, book, page, known, types=(root.type,)):
            if item.entry.id == root.id and item.counts:
                now = {line.key: line for line in _lines(item, page, entry.index)}
    before: dict[str, Line] = {}
    for line in rows.lines_of_fact(connection, book, root.index):
        if line.since < entry.index:
            before[line.key] = line  # in the order of `since`
    found = [line for key, line in now.items() if key not in before or _differs(before[key], line)]
    return found + [_struck(line, entry.index) for key, line in before.items() if line.live and key not in now]


def _differs(before: Line, now: Line) -> bool:
    return (before.live, before.subject, before.at, before.said) != (now.live, now.subject, now.at, now.said)


def _struck(line: Line, since: int) -> Line:
    return Line(line.key, line.fact, since, line.entry, line.subject, False, line.at, line.nth, line.type, line.said)


def write_slips(writes: Writes, book: int, fresh: Iterable[Recorded]) -> list[Slip]:
    """Write which devices sent these entries, under which of their numbers."""
    found: dict[tuple[str, int], Slip] = {}
    for entry in fresh:
        if (slip := slip_of(entry)) is not None:
            found.setdefault((slip.device, slip.seq), slip)
    _run(writes, slips.slip_rows(book, found.values()))
    return list(found.values())


def settle_slips(
    connection: Connection, writes: Writes, book: int, fresh: Iterable[Slip], keys: Iterable[str] = ()
) -> list[Doubt]:
    """Draw the doubts again that these slips and these lifts bear on, and give those that did not stand before."""
    writes.settle()
    spans: dict[str, tuple[int, int]] = {}
    for slip in (*fresh, *_slips_lifted(connection, book, keys)):
        low, high = spans.get(slip.device, (slip.seq, slip.seq))
        spans[slip.device] = (min(low, slip.seq), max(high, slip.seq))
    pairs: list[tuple[Slip, Slip]] = []
    for device, (low, high) in sorted(spans.items()):
        pairs += pairwise(slips.around(connection, book, device, low, high))
    return _settle_pairs(connection, writes, book, pairs)


def settle_every_slip(connection: Connection, writes: Writes, book: int) -> None:
    """Draw the doubts of all slips again."""
    writes.settle()
    rows.forget_doubts(connection, book, DEVICES)
    _settle_pairs(connection, writes, book, slips.odd_pairs(connection, book))


def _settle_pairs(connection: Connection, writes: Writes, book: int, pairs: Sequence[tuple[Slip, Slip]]) -> list[Doubt]:
    now = {cause(slip): doubts_of_slips(before, slip) for before, slip in pairs}
    if not now:
        return []
    stood = rows.doubts_of_causes(connection, book, now)
    raised = {doubt.key for found in now.values() for doubt in found}
    lifted = _lifted(rows.lines_of_keys(connection, book, {f"{LIFTED}/{key}" for key in raised})) if raised else set()
    now = {of: [d for d in found if d.key not in lifted] for of, found in now.items()}
    if raised or stood:
        _run(writes, rows.write_doubts(connection, book, now))
    return [d for of, found in now.items() for d in found if rows.row_key(d, of) not in stood.get(of, ())]


def _slips_lifted(connection: Connection, book: int, keys: Iterable[str]) -> Iterator[Slip]:
    """The slips that lifts name: a lift names a doubt, which names the entry that raised it."""
    for key in keys:
        code, _, ident = key.partition("/")[2].partition(":")
        if key.startswith(f"{LIFTED}/") and code in LIFTABLE and len(ident) == 36:
            entry = find_entry(connection, book, ident)
            slip = slip_of(entry) if entry else None
            if slip is not None:
                yield slip


def beside_shop(connection: Connection, book: int) -> list[Doubt]:
    """What stands now and concerns no unit: of devices."""
    return rows.doubts_of_shops(connection, book)


def beside_shop_then(connection: Connection, book: int, known: int, true_at: datetime | None) -> list[Doubt]:
    """The same as of then."""
    until = None if true_at is None else in_utc(true_at, 6)
    sent = (slip for slip in slips.every(connection, book, known) if until is None or slip.at <= until)
    found = [d for a, b in pairwise(sent) if a.device == b.device for d in doubts_of_slips(a, b)]
    lifts = rows.lines_of_keys(connection, book, {f"{LIFTED}/{d.key}" for d in found}, known)
    lifted = _lifted(lifts, true_at)
    return sorted((d for d in found if d.key not in lifted), key=lambda d: (d.subject, d.key))


def pieces_changed(before: Mapping[str, UnitState], after: Mapping[str, UnitState]) -> dict[str, None]:
    """The keys of pieces that went into a slot or out of one: a removal may name none."""
    found: dict[str, None] = {}
    for unit, state in after.items():
        if state.slots is before[unit].slots:
            continue
        was, now = pieces_in(before[unit]), pieces_in(state)
        found |= {key: None for key in sorted(was.keys() | now.keys()) if was.get(key) != now.get(key)}
    return found


def settle(connection: Connection, writes: Writes, book: int, keys: Iterable[str], states: ReadStates) -> list[Doubt]:
    """Draw the doubts of these keys again, and give those that did not stand before."""
    asked = compared(keys)
    writes.settle()
    lines = rows.lines_of_keys(connection, book, asked) if asked else {}
    for key in sorted(key for key in asked if key.startswith(f"{LIFTED}/")):
        lines |= _lifted_from(connection, book, key, lines)
    shared = _shared(lines)
    if not shared:
        return []
    stood = rows.doubts_of_causes(connection, book, shared)
    lifts = _lifts(connection, book, shared)
    lifted = _lifted(lifts)
    now = {key: _standing(key, found, states, lifted) for key, found in sorted(shared.items())}
    _run(writes, rows.write_doubts(connection, book, now))
    heads = _heads(shared, lifts)
    for unit in (key.partition("/")[2] for key in shared if key.startswith(f"{MERGED}/")):
        moved = [state.index for state in states(joined_to(connection, book, unit)).values()]
        heads[f"unit:{unit}"] = max(heads[f"unit:{unit}"], *moved, -1)
    _run(writes, rows.head_rows(book, heads))
    raised = [d for key, found in now.items() for d in found if rows.row_key(d, key) not in stood.get(key, ())]
    return [doubt for doubt in raised if doubt.code != MERGED]


def _shared(lines: Mapping[str, list[Line]]) -> dict[str, list[Line]]:
    """The keys that several facts claim, and those of merges, which one claims."""
    return {
        key: found
        for key, found in lines.items()
        if key.startswith(f"{MERGED}/") or len({line.fact for line in found}) > 1
    }


def joined_to(connection: Connection, book: int, unit: str, below: int | None = None) -> list[str]:
    """The units that were merged into this one, and into those, as far as the first `below` entries say."""
    found: list[str] = []
    waiting = [unit]
    while waiting:
        key = f"{MERGED}/{waiting.pop()}"
        into = {line.unit for line in latest(rows.lines_of_keys(connection, book, (key,), below).get(key, ()))}
        fresh = sorted(into.difference(found, (unit,)))
        found += fresh
        waiting += fresh
    return found


def merges_moved(states: Mapping[str, UnitState], read: ReadStates) -> dict[str, None]:
    """The keys of the merges whose other page has to know that these units moved, however far it is."""
    found: dict[str, None] = {}
    for state in states.values():
        merged = state.merged
        while merged is not None and f"{MERGED}/{merged.into}" not in found:
            found[f"{MERGED}/{merged.into}"] = None
            known = read([merged.into]).get(merged.into)
            merged = known.merged if known else None
    return found


def _lifted_from(connection: Connection, book: int, key: str, known: Mapping[str, list[Line]]) -> dict[str, list[Line]]:
    """The lines of what a lift is about: it names a doubt, which names the entry that raised it."""
    ident = key.rpartition(":")[2]
    raised_by = find_entry(connection, book, ident) if len(ident) == 36 else None
    if raised_by is None:
        return {}
    keys = compared(line.key for line in rows.lines_of_fact(connection, book, raised_by.index)) - known.keys()
    return rows.lines_of_keys(connection, book, keys)


def _lifts(
    connection: Connection, book: int, shared: Mapping[str, list[Line]], below: int | None = None
) -> dict[str, list[Line]]:
    """The lines of lifts of what these lines could raise, by their keys."""
    of_pieces = (line for key, found in shared.items() if key.startswith("piece/") for line in found)
    wanted = {lift_key(line) for line in of_pieces}
    return rows.lines_of_keys(connection, book, wanted, below) if wanted else {}


def _lifted(lifts: Mapping[str, list[Line]], true_at: datetime | None = None) -> set[str]:
    """The keys of the doubts that are lifted."""
    return {key.partition("/")[2] for key, found in lifts.items() if latest(found, true_at)}


def _standing(key: str, lines: list[Line], states: ReadStates, lifted: set[str]) -> list[Doubt]:
    return [d for d in doubts(key, latest(lines), states) if d.key not in lifted]


def _heads(shared: Mapping[str, list[Line]], lifts: Mapping[str, list[Line]]) -> dict[str, int]:
    """By unit's page, the last line that another page wrote under a key that both claim, or to lift a doubt of it."""
    found: dict[str, int] = {}
    for key, lines in shared.items():
        if key.startswith(f"{MERGED}/"):
            page = f"unit:{key.partition('/')[2]}"
            found[page] = max(found.get(page, -1), *(line.since for line in lines))
            continue
        of_lifts = (lifts.get(lift_key(line), ()) for line in lines) if key.startswith("piece/") else ()
        every = [*lines, *(line for of_one in of_lifts for line in of_one)]
        for page in {line.subject for line in lines if line.subject.startswith("unit:")}:
            last = max((line.since for line in every if line.subject != page), default=-1)
            found[page] = max(last, found.get(page, -1))
    return {page: last for page, last in found.items() if last >= 0}


class Beside(NamedTuple):
    """What stands between a unit and others, how far the others go (-1: none do), and the units merged into it."""

    doubts: Sequence[Doubt] = ()
    head: int = -1
    joined: Sequence[str] = ()


def beside(connection: Connection, book: int, units: Iterable[str]) -> dict[str, Beside]:
    """By unit, what stands between it and others now."""
    found = {}
    for unit, (standing, head) in rows.doubts_on(connection, book, units).items():
        joins = any(d.code == MERGED and d.subject == f"unit:{unit}" for d in standing)
        joined = joined_to(connection, book, unit) if joins else ()
        found[unit] = Beside(merged(d for d in standing if d.code != MERGED), head, joined)
    return found


def lines_of_piece(connection: Connection, book: int, part_no: str, serial: str, below: int | None) -> list[Line]:
    """Every claim on one piece that the first `below` entries made."""
    key = f"piece/{part_no}/{serial}"
    return rows.lines_of_keys(connection, book, (key,), below).get(key, [])


def places_of(
    connection: Connection, book: int, keys: Iterable[str], below: int | None, true_at: datetime | None
) -> dict[str, list[Line]]:
    """By key, the claims that count: those of the first `below` entries that had happened at `true_at`, in order."""
    found = rows.lines_of_keys(connection, book, keys, below)
    return {key: latest(lines, true_at) for key, lines in found.items()}


def beside_then(connection: Connection, book: int, unit: str, known: int | None, true_at: datetime | None) -> Beside:
    """The same as of then, from the claims that were known and had happened."""
    page = f"unit:{unit}"
    lines = rows.lines_of_keys(connection, book, compared(rows.keys_of(connection, book, page, known)), known)
    shared = _shared({key: found for key, found in lines.items() if not key.startswith(f"{MERGED}/")})
    lifts = _lifts(connection, book, shared, known)
    lifted = _lifted(lifts, true_at)

    def states(units: Iterable[str]) -> dict[str, UnitState]:
        return {u: draw_unit(connection, book, u, known, true_at) for u in units}

    found = []
    for key, of_key in sorted(shared.items()):
        live = latest(of_key, true_at)
        found += [d for d in doubts(key, live, states) if d.key not in lifted and unit in d.units]
    joined = joined_to(connection, book, unit, known)
    pages = (last_index(connection, book, f"unit:{other}", below=known) for other in joined)
    return Beside(merged(found), max(_heads(shared, lifts).get(page, -1), *pages, -1), joined)
