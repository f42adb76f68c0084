"""What facts on several pages claim of one thing: a serial, a label, an id; and where the claims contradict each other.

A line says that a fact claims something under a key, as of one entry of the book; a correction writes a later line of
the same fact. So what was known then can be asked for, and a state holds nothing of another page.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from itertools import pairwise
from typing import Any

from service_api.domain import tags
from service_api.domain.discrepancies import Discrepancy, between
from service_api.domain.entries.shared import Piece
from service_api.domain.matters import Occupant
from service_api.domain.moments import in_utc
from service_api.domain.records import record
from service_api.domain.state import UnitState
from service_api.domain.timeline import Item

# Ids that clients make: book-wide, or (True) of one unit (CONTRACT A)
OPENS = {
    "job.opened": ("job", False),
    "complaint.reported": ("complaint", False),
    "claim.opened": ("claim", False),
    "unit.released": ("release", False),
    "release.reissued": ("release", False),
    "finding.raised": ("finding", True),
    "run.recorded": ("run", True),
    "hold.placed": ("hold", True),
    "concession.granted": ("concession", True),
}
MOVING = ("part.fitted", "part.removed", "part.sold")
MERGED = "merged"  # no contradiction: the pages of two units that are one iron
CLAIMING = frozenset((*OPENS, *MOVING, "unit.registered", "unit.merged", "tag.attached", "tag.detached", "hold.lifted"))
LIFTED = "lifted"
LIFTABLE = ("piece-gap", "device-gap", "clock-back", "lot-imbalance")
LOT, ASSEMBLY = "lot/", "assembly/"  # who ever named a lot, and who ever held an assembly
LOOSE = ("stock", "bin", "quarantine", "supplier", "scrap")


@record
class Line:
    """A fact's claim under a key.

    fact, entry : the fact by its index and by its id; since : the index of the entry that made this line
    subject : the page on which the fact counts; live : it does; at : its corrected moment in UTC; nth : `device.seq`
    """

    key: str
    fact: int
    since: int
    entry: str
    subject: str
    live: bool
    at: str
    nth: int
    type: str
    said: dict[str, Any]

    @property
    def order(self) -> tuple[str, int, int]:
        return self.at, self.nth, self.fact

    @property
    def unit(self) -> str:
        return self.subject.partition(":")[2]


def claims(item: Item, subject: str) -> dict[str, dict[str, Any]]:
    """What a fact claims on the page on which it counts: by key, with what more it says."""
    kind, data = item.entry.type, item.data
    if kind in OPENS:
        name, of_unit = OPENS[kind]
        scope = f"{subject.partition(':')[2]}/" if of_unit else ""
        return {f"{name}/{scope}{data[name]}": {}}
    if kind in ("part.fitted", "part.removed"):
        said: dict[str, Any] = {name: data[name] for name in ("slot", "from", "to") if name in data}
        pieces = item.body.pieces or ()
        found = {piece_key(p): said for p in pieces if p.serial is not None}
        found |= {f"{LOT}{p.lot}": {} for p in pieces if p.lot is not None}
        return found | {f"{ASSEMBLY}{p.unit}": {} for p in pieces if p.unit is not None}
    match kind:
        case "part.sold" if "serial" in data:
            return {f"piece/{data['part_no']}/{data['serial']}": {"to": "sold"}}
        case "unit.registered" if "serial" in data:
            return {f"serial/{data['class']}/{data['serial']}": {}}
        case "unit.merged":
            return {f"{MERGED}/{data['into']}": {}}
        case "tag.attached" | "tag.detached":
            return {f"tag/{tags.normal(data['tag'])}": {}}
        case "hold.lifted" if data["hold"].partition(":")[0] in LIFTABLE:
            return {f"{LIFTED}/{data['hold']}": {}}
    return {}


def compared(keys: Iterable[str]) -> set[str]:
    """Those whose claims are held against each other as they are written; the others are read when somebody asks."""
    return {key for key in keys if not key.startswith((LOT, ASSEMBLY))}


def piece_key(piece: Piece) -> str:
    return f"piece/{piece.part_no}/{piece.serial}"


def trace_key(piece: Piece) -> str:
    """Under what a piece is followed from place to place: its serial, else the assembly that it is."""
    return f"{ASSEMBLY}{piece.unit}" if piece.serial is None else piece_key(piece)


def lift_key(line: Line) -> str:
    """Where a lift of the piece-gap that this line raised would claim."""
    return f"{LIFTED}/piece-gap:{line.entry}"


def pieces_in(state: UnitState) -> dict[str, tuple[str, Occupant]]:
    """Where the pieces that carry a serial are on this unit: key -> slot and occupant."""
    return {
        piece_key(piece): (slot, occupant)
        for slot, occupants in state.slots.items()
        for occupant in occupants
        for piece in occupant.pieces
        if piece.serial is not None
    }


@record
class Doubt:
    """A contradiction between pages, raised by `entry` on `subject`.

    taken : the entries of occupants that this shows to be gone from where they were fitted
    """

    code: str
    entry: str
    subject: str
    units: tuple[str, ...]
    entries: tuple[str, ...]
    detail: str
    taken: tuple[str, ...] = ()

    @property
    def key(self) -> str:
        return f"{self.code}:{self.entry}"

    @property
    def shown(self) -> Discrepancy:
        return between(self.code, self.entry, self.subject, self.units, self.entries, self.detail)


def _doubt(code: str, by: Line, lines: Sequence[Line], detail: str, *taken: str) -> Doubt:
    """lines : all that contradict, the one that raised it among them"""
    return Doubt(code, by.entry, by.subject, _units(lines), tuple(line.entry for line in lines), detail, taken)


def merged(doubts: Iterable[Doubt]) -> list[Doubt]:
    """The doubts by key, those that one entry raised of several things as one."""
    found: dict[str, Doubt] = {}
    for doubt in sorted(doubts, key=lambda d: (d.key, d.detail)):
        known = found.get(doubt.key)
        if known is not None:
            doubt = replace(
                known,
                units=tuple(dict.fromkeys((*known.units, *doubt.units))),
                entries=tuple(dict.fromkeys((*known.entries, *doubt.entries))),
                detail=f"{known.detail}; {doubt.detail}",
                taken=(*known.taken, *doubt.taken),
            )
        found[doubt.key] = doubt
    return list(found.values())


States = Callable[[Iterable[str]], Mapping[str, UnitState]]


def latest(lines: Iterable[Line], true_at: datetime | None = None) -> list[Line]:
    """The newest line of each fact that counts, in the order of the corrected moment.

    lines : of one key; true_at : leaves out what had not happened by then
    """
    until = None if true_at is None else in_utc(true_at, 6)
    newest: dict[int, Line] = {}
    for line in lines:
        known = newest.get(line.fact)
        if known is None or line.since > known.since:
            newest[line.fact] = line
    happened = (line for line in newest.values() if line.live and (until is None or line.at <= until))
    return sorted(happened, key=lambda line: line.order)


def doubts(key: str, live: Sequence[Line], states: States) -> list[Doubt]:
    """What the claims under a key contradict.

    live : as `latest` gives them; states : of units, as of the same moment and knowledge
    """
    if key.startswith(f"{MERGED}/"):
        return _merged_pages(key, live)
    if len(live) < 2 or _one_iron(key, live, states):
        return []
    match key.partition("/")[0]:
        case "serial":
            return _serial_shared(key, live)
        case "tag":
            return _on_two_units(key, live)
        case "piece":
            return _of_piece(key, live, states)
        case kind if kind != LIFTED:
            return _id_taken(key, kind, live)
    return []


def _merged_pages(key: str, live: Sequence[Line]) -> list[Doubt]:
    into = key.partition("/")[2]
    return [Doubt(MERGED, line.entry, f"unit:{into}", (line.unit,), (line.entry,), "") for line in live]


def _one_iron(key: str, live: Sequence[Line], states: States) -> bool:
    """The pages that claim a serial, a label or a piece are merged into one: it is in one place."""
    pages = _units(live)
    if key.partition("/")[0] not in ("serial", "tag", "piece") or len(pages) < 2:
        return False
    return len(pages) == len({line.subject for line in live}) and len({last_of(unit, states) for unit in pages}) == 1


def last_of(unit: str, states: States) -> str:
    """The unit into which this one was merged in the end; itself when it was not."""
    seen = [unit]
    while (state := states([unit]).get(unit)) is not None and state.merged is not None:
        unit = state.merged.into
        if unit in seen:
            return min(seen)  # each into the other: one iron all the same
        seen.append(unit)
    return unit


def _units(lines: Iterable[Line]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(line.unit for line in lines if line.subject.startswith("unit:")))


def _id_taken(key: str, kind: str, live: Sequence[Line]) -> list[Doubt]:
    """Every opening after the first that was recorded; a job that is opened again on its unit is a job reopened."""
    first, *others = sorted(live, key=lambda line: line.fact)
    detail = f"{kind} {key.rpartition('/')[2]} stands for another one; this one goes by its entry"
    return [
        _doubt("id-taken", line, (first, line), detail)
        for line in others
        if kind != "job" or line.subject != first.subject
    ]


def _serial_shared(key: str, live: Sequence[Line]) -> list[Doubt]:
    units = _units(live)
    if len(units) < 2:
        return []
    _, class_, serial = key.split("/", 2)
    detail = f"serial {serial} of class {class_} is on {', '.join(units)}: read the engraving at each scan"
    return [_doubt("serial-shared", max(live, key=lambda line: line.fact), live, detail)]


def _on_two_units(key: str, live: Sequence[Line]) -> list[Doubt]:
    worn: dict[str, Line] = {}
    for line in live:
        if line.type == "tag.attached":
            worn[line.subject] = line
        else:
            worn.pop(line.subject, None)
    if len(worn) < 2:
        return []
    lines = sorted(worn.values(), key=lambda line: line.order)
    detail = f"label {key.partition('/')[2]} is on {' and '.join(_units(lines))}: read the engraved serials"
    return [_doubt("tag-on-two-units", lines[-1], lines, detail)]


def _of_piece(key: str, live: Sequence[Line], states: States) -> list[Doubt]:
    """One piece is in one place; and from one place to the next there is a step."""
    units = _units(live)
    if len({line.subject for line in live}) < 2:
        return []
    known = states(units)
    held = {f"unit:{u}": there[key] for u in units if u in known and key in (there := pieces_in(known[u]))}
    by_entry = {line.entry: line for line in live}
    name = " ".join(key.split("/")[1:])
    found, gone = _gaps(name, live, held)
    held = {subject: place for subject, place in held.items() if subject not in gone}
    fits = [by_entry[occupant.entry] for _, occupant in held.values() if occupant.entry in by_entry]
    fits.sort(key=lambda line: line.order)
    if len(fits) > 1:
        where = " and ".join(f"{line.said['slot']} of {line.unit}" for line in fits)
        found.append(_doubt("serial-in-two-places", fits[-1], fits, f"{name} is in {where}"))
    elif fits:
        after = [line for line in live if line.order > fits[0].order and line.subject != fits[0].subject]
        if after and after[-1].said.get("to") in (*LOOSE, "sold"):
            detail = f"{name} is in {fits[0].said['slot']} of {fits[0].unit}, and in {after[-1].said['to']} since"
            found.append(_doubt("serial-in-two-places", after[-1], (fits[0], after[-1]), detail))
    return found


def _gaps(name: str, live: Sequence[Line], held: Mapping[str, tuple[str, Occupant]]) -> tuple[list[Doubt], set[str]]:
    """Steps that are missing between two places, and the units that a later fit shows to be without the piece."""
    found, gone = [], set()
    for before, line in pairwise(live):
        if line.type != "part.fitted" or line.subject == before.subject:
            continue
        if before.type == "part.fitted":
            if line.said.get("from") == before.subject and before.subject in held:
                gone.add(before.subject)
                detail = f"{name} went from {before.unit} to {line.unit}; the removal is not logged"
                found.append(_doubt("piece-gap", line, (before, line), detail, held[before.subject][1].entry))
        elif not _follows(before.said.get("to"), line.said.get("from"), before.subject, line.subject):
            detail = f"{name} went to {before.said.get('to')} from {before.unit}, and into {line.unit} without a step"
            found.append(_doubt("piece-gap", line, (before, line), detail))
    return found, gone


def _follows(to: str | None, came_from: str | None, before: str, now: str) -> bool:
    """What was taken out to `to` was where the fit says it came from."""
    if to == now or (to == "stock" and came_from in (None, "stock", before)):
        return True
    return to == came_from and to != "unknown"
