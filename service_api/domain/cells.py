"""The cells of a unit's state, and which of them a fact looks at or changes.

A cell is a member of the state (`place`) or one named matter in a member (`slots`, `feed-nut`). What a fact does to a
state depends on the cells that it touches, and changes no other; so a late fact leaves every later one as it was that
touches none of the cells that came out different. `tests/property/test_late.py` holds the table to the handlers.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping
from functools import lru_cache
from typing import Any, NamedTuple

from service_api.domain.discrepancies import KINDS
from service_api.domain.fold.handlers import HANDLERS
from service_api.domain.fold.jobs import LOOKING
from service_api.domain.fold.releases import LIFTABLE, OF_A_RELEASE
from service_api.domain.records import replace
from service_api.domain.sightings import AT_HAND, scanned
from service_api.domain.state import UnitState
from service_api.domain.timeline import Item
from service_api.domain.twins import TOLD_ONCE


class Cell(NamedTuple):
    """A member of a state; with `name` one matter in it, without it the member as a whole, or all its matters."""

    member: str
    name: str = ""


NAMED = ("slots", "measured", "findings", "jobs", "holds", "concessions", "exams", "complaints")
RAISED = "raised/"  # then the code: a discrepancy is a matter of its code, named by the entry that raised it
WHOLE = (
    *(
        "identity",
        "merged",
        "retired",
        "sold",
        "out",
        "place",
        "tags",
        "meters",
        "fits",
        "last_job",
        "plans",
        "serviced",
    ),
    *("released", "signatures", "rebuilt", "runs", "touches", "seen", "recent"),
)
ALWAYS = frozenset({Cell("identity"), Cell("retired")})  # every fact looks whether they are there

EVERYTHING = Cell("*")  # what a type touches whose handler is not in the table
UNHEARD = Cell("unheard")  # what a release did not know of the time before it: whatever late news are put in
_nothing: frozenset[Cell] = frozenset()
_hours = frozenset({Cell("meters")})
_holding = frozenset(Cell(RAISED + code) for code, kind in KINDS.items() if kind.holds_release)
_here = frozenset({Cell("out"), Cell("place"), Cell(RAISED + "return-not-booked")})
_recent, _seen, _unproved = Cell("recent"), Cell("seen"), Cell(RAISED + "signature-unproved")
_release = _holding.union(
    map(Cell, (*(RAISED + code for code in OF_A_RELEASE), RAISED + "dispatched-unreleased")),
    map(Cell, ("signatures", "released", "findings", "holds")),
    {UNHEARD},
)
Touched = Callable[[Item, Any], frozenset[Cell]]


def _cells(*members: str) -> Touched:
    found = frozenset(map(Cell, members))
    return lambda item, body: found


def _matter(member: str, name: str, *members: str) -> Touched:
    """One matter, named by a member of the body, and some members as a whole."""
    also = frozenset(map(Cell, members))
    return lambda item, body: also | {Cell(member, getattr(body, name))}


def _check(item: Item, body: Any) -> frozenset[Cell]:
    return frozenset({Cell("released"), *({Cell("jobs", item.entry.job)} if item.entry.job else ())})


def _complaint(item: Item, body: Any) -> frozenset[Cell]:
    return (_hours if body.hours is not None else _nothing) | {Cell("complaints", body.complaint)}


def _finding(item: Item, body: Any) -> frozenset[Cell]:
    """A blocking one is held against the examinations."""
    also = {Cell("exams"), Cell("released")} if body.blocking else set()
    return frozenset({Cell("findings", body.finding), *also})


def _work(item: Item, body: Any) -> frozenset[Cell]:
    return _nothing if body.activity in LOOKING else frozenset({Cell("touches"), Cell("released")})


def _reading(item: Item, body: Any) -> frozenset[Cell]:
    return _measured(body.characteristic, body.stage == "as_left", body.hours is not None)


@lru_cache(maxsize=1024)
def _measured(characteristic: str, as_left: bool, hours: bool) -> frozenset[Cell]:
    """Readings are the most of what is logged."""
    found = {Cell("measured", characteristic), Cell("touches")} | ({Cell("fits")} if as_left else set())
    return frozenset(found) | (_hours if hours else _nothing)


def _rebuilt(item: Item, body: Any) -> frozenset[Cell]:
    job = body.job or item.entry.job
    found = {Cell("slots", part.slot) for part in body.scope} | ({Cell("jobs", job)} if job else set())
    return frozenset(found) | set(map(Cell, ("rebuilt", "serviced", "meters", "touches", "last_job", "released")))


def _lifted(item: Item, body: Any) -> frozenset[Cell]:
    code, _, entry = body.hold.partition(":")
    found = {Cell("holds", body.hold)}
    if code in LIFTABLE:
        found.add(Cell(RAISED + code, entry))
    if code in ("wear-improved", "readings-disagree"):
        found.add(Cell("measured"))
    return frozenset(found)


def _released(item: Item, body: Any) -> frozenset[Cell]:
    return _release | {Cell("concessions", name) for name in body.concessions or ()}


def _run(item: Item, body: Any) -> frozenset[Cell]:
    """A final one is held against the release."""
    return frozenset({Cell("runs"), *({Cell("released")} if body.stage == "final" else ())})


TOUCHES: dict[str, Touched] = {
    "unit.registered": _cells("identity", "meters", "place"),
    "unit.merged": _cells("merged"),
    "tag.attached": _cells("tags"),
    "tag.detached": _cells("tags"),
    "unit.received": _cells(
        *("out", "sold", "place", "released", "seen"), RAISED + "return-not-booked", RAISED + "dispatched-unreleased"
    ),
    "unit.dispatched": lambda item, body: _holding.union(map(Cell, ("released", "out", "place", "holds", "seen"))),
    "unit.moved": _cells("place", "seen"),
    "unit.sold": _cells("identity", "sold", "out", "place"),
    "unit.retired": _cells("retired"),
    "meter.read": lambda item, body: _hours,
    "meter.replaced": lambda item, body: _hours,
    "meter.rolled": lambda item, body: _hours,
    "complaint.reported": _complaint,
    "complaint.closed": _matter("complaints", "complaint"),
    "job.opened": _matter("jobs", "job", "last_job", "released"),
    "job.closed": _matter("jobs", "job", "last_job", "plans", "serviced", "meters"),
    "check.answered": _check,
    "finding.raised": _finding,
    "finding.closed": _cells("findings", RAISED + "exam-against-defect"),
    "work.done": _work,
    "setting.left": _cells("touches", "released"),
    "reading.taken": _reading,
    "part.fitted": _matter("slots", "slot", "fits", "meters", "touches", "released"),
    "part.removed": _matter("slots", "slot", "fits", "touches", "released", RAISED + "slot-contested"),
    "rebuild.completed": _rebuilt,
    "run.recorded": _run,
    "unit.released": _released,
    "concession.granted": _matter("concessions", "concession"),
    "concession.ended": _matter("concessions", "concession"),
    "hold.placed": _matter("holds", "hold"),
    "hold.lifted": _lifted,
    "exam.recorded": _matter("exams", "exam", "findings", RAISED + "exam-against-defect"),
    "service.planned": _cells("plans"),
}
_everything = frozenset({EVERYTHING})


def _unsaid(item: Item, body: Any) -> frozenset[Cell]:
    return _everything if item.entry.type in HANDLERS else _nothing


def touches(item: Item) -> frozenset[Cell]:
    """The cells that the fact looks at or changes, beside those of ALWAYS and what goes by its own id."""
    entry = item.entry
    known = TOUCHES.get(entry.type, _unsaid)
    found = known(item, item.body)
    if entry.type in TOLD_ONCE:
        found |= {_recent}
    if entry.type in AT_HAND and entry.source_kind == "live":
        found |= _here
    if scanned(entry):
        found |= {_seen}
    return found if entry.signed is None else found | {_unproved}


def bears_on(cell: Cell) -> Iterator[Cell]:
    """The cells that a fact may say it touches when it touches this one."""
    yield from {cell, Cell(cell.member), EVERYTHING}


def cells(state: UnitState) -> Iterator[tuple[Cell, Any]]:
    """Every cell that says something, with what it says."""
    for member in WHOLE:
        value = getattr(state, member)
        if value:
            yield Cell(member), value
    for member in NAMED:
        for name, value in getattr(state, member).items():
            yield Cell(member, name), value
    for raised in state.raised.values():
        yield Cell(RAISED + raised.code, raised.entry), raised


def value(state: UnitState, cell: Cell) -> Any:
    """What one cell says; None for nothing."""
    member, name = cell
    if member.startswith(RAISED):
        return state.raised.get(f"{member.removeprefix(RAISED)}:{name}")
    known = getattr(state, member)
    if member in NAMED:
        return known.get(name)
    return known or None


def patched(state: UnitState, values: Mapping[Cell, Any]) -> UnitState:
    """The state with these cells as given; None empties one."""
    members: dict[str, Any] = {}
    for (member, name), said in values.items():
        key = member
        if member.startswith(RAISED):
            key, name = "raised", f"{member.removeprefix(RAISED)}:{name}"
        elif member in WHOLE:
            members[member] = getattr(_EMPTY, member) if said is None else said
            continue
        named = members.setdefault(key, dict(getattr(state, key)))
        if said is None:
            named.pop(name, None)
        else:
            named[name] = said
    return replace(
        state,
        **{k: dict(sorted(v.items())) if isinstance(v, dict) and k not in WHOLE else v for k, v in members.items()},
    )


_EMPTY = UnitState(unit="")


def changed(before: UnitState, after: UnitState) -> Iterable[Cell]:
    """The cells that may say something else after than before: not the very same record."""
    found = {Cell(m) for m in WHOLE if getattr(before, m) is not getattr(after, m)}
    for member in NAMED:
        had, has = getattr(before, member), getattr(after, member)
        if had is not has:
            found |= {Cell(member, name) for name in had.keys() | has.keys() if had.get(name) is not has.get(name)}
    if before.raised is not after.raised:
        for known in (before.raised, after.raised):
            other = after.raised if known is before.raised else before.raised
            found |= {Cell(RAISED + r.code, r.entry) for key, r in known.items() if other.get(key) is not r}
    return found
