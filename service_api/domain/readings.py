"""Readings against the sheet's rows: which reading counts, and which cannot all be right (JOB.md 4.3 row 2, 4.4 row 8).

A reading is compared with the few before it. Work, a setting or a part on the row's slot in between explains a change.
"""

from collections.abc import Iterator
from datetime import timedelta
from decimal import Decimal
from itertools import combinations, pairwise
from typing import NamedTuple

from service_api.calc.uom import WrongDimension
from service_api.domain.conformity import form_value, uncertainty
from service_api.domain.context import Context, SheetRevision
from service_api.domain.fold.jobs import ANYWHERE
from service_api.domain.matters import Measured, Occupant, Taken
from service_api.domain.sheets import Characteristic, applies
from service_api.domain.state import UnitState

TOGETHER = timedelta(hours=24)  # CONTRACT D, readings-disagree


def sole(state: UnitState, slot: str | None) -> Occupant | None:
    """What is in the slot; nothing while it is empty or contested."""
    occupants = state.slots.get(slot or "", ())
    return occupants[0] if len(occupants) == 1 else None


def revision_for(taken: Taken, context: Context) -> SheetRevision | None:
    """The revision stated by the bench, else the one in force on the day of the reading."""
    return context.stated(taken.sheet_rev) or context.in_force(context.day(taken.at))


def rows(state: UnitState, context: Context) -> list[Characteristic]:
    """The characteristics of the revision in force that apply to this unit's variant."""
    revision = context.in_force(context.on)
    variant = state.identity.variant if state.identity else None
    return [c for c in (revision.sheet.characteristics if revision else ()) if applies(c, variant)]


def baseline(measured: Measured, occupant: Occupant | None) -> Taken | None:
    """The first as-left reading since the occupant was fitted, or of the unit when no slot wears with it."""
    return next((t for t in measured.firsts if occupant is None or t.key > occupant.key), None)


class Seen(NamedTuple):
    """A reading with its value and uncertainty in the row's uom (in % of the baseline where the row is so judged)."""

    taken: Taken
    value: Decimal
    u: Decimal


def _seen(taken: Taken, row: Characteristic, first: Taken | None) -> Seen | None:
    """None when the value or its uncertainty is not known; without any U the row's resolution stands for it."""
    try:
        value = form_value(taken.readings, taken.uom, row)
        start = form_value(first.readings, first.uom, row) if first and row.against_baseline else None
    except WrongDimension:
        return None
    if value is None or (row.against_baseline and not start):
        return None
    u = uncertainty(taken, row, value, start)
    if start:
        value = (value - start) / start * 100
    elif u is None:
        u = row.resolution
    return None if u is None else Seen(taken, value, u)


class Doubtful(NamedTuple):
    """Two readings that contradict each other; `then` is the later one, which raised it."""

    code: str
    first: Seen
    then: Seen


class _Between:
    """What was done between readings, as far as it bears on the row."""

    def __init__(self, trail: tuple[Taken, ...], row: Characteristic) -> None:
        self.place = {taken.entry: n for n, taken in enumerate(trail)}
        self.touched = [set(taken.touched) for taken in trail]
        self.slot = row.slot

    def explains(self, first: Seen, then: Seen) -> bool:
        touched: set[str] = set()
        for step in self.touched[self.place[first.taken.entry] + 1 : self.place[then.taken.entry] + 1]:
            touched |= step
        return bool(touched) if self.slot is None else bool(touched & {self.slot, ANYWHERE})


def doubtful(measured: Measured, row: Characteristic, occupant: Occupant | None) -> list[Doubtful]:
    """What contradicts what among the last readings of a characteristic, lifted and settled doubts left out."""
    trail = (*measured.before, measured.latest)
    if len(trail) == 1 or row.kind == "choice":
        return []
    first = baseline(measured, occupant if row.slot else None)
    known = [seen for taken in trail if (seen := _seen(taken, row, first)) is not None]
    if _together(known):
        return []
    between = _Between(trail, row)
    while (odd := _odd_one(known, between)) is not None:
        known.remove(odd)
    found = [Doubtful("readings-disagree", *pair) for pair in _disagreeing(known, between)]
    apart = {(d.first.taken.entry, d.then.taken.entry) for d in found}
    for one, then in pairwise(known):
        together = (one.taken.entry, then.taken.entry) in apart
        if not together and _improved(one, then, row) and not between.explains(one, then):
            found.append(Doubtful("wear-improved", one, then))
    return [d for d in found if d.code not in d.then.taken.lifted]


def _together(known: list[Seen]) -> bool:
    """No two lie further apart than any of the uncertainties, so that nothing can disagree or improve."""
    values = [seen.value for seen in known]
    return not known or max(values) - min(values) <= min(seen.u for seen in known)


def _disagreeing(known: list[Seen], between: _Between) -> Iterator[tuple[Seen, Seen]]:
    """Pairs of two people, or two devices, who measured the same thing within a day, further apart than U."""
    for first, then in combinations(known, 2):
        one, other = first.taken, then.taken
        of_two = (one.by, one.device) != (other.by, other.device) and one.stage == other.stage
        if of_two and other.at - one.at <= TOGETHER and _apart(first, then) and not between.explains(first, then):
            yield first, then


def _odd_one(known: list[Seen], between: _Between) -> Seen | None:
    """Of two that disagree, the one that a third reading does not confirm while it confirms the other."""
    for first, then in _disagreeing(known, between):
        for third in known[known.index(then) + 1 :]:
            if between.explains(then, third):
                break
            if _apart(first, third) != _apart(then, third):
                return first if _apart(first, third) else then
    return None


def _apart(one: Seen, other: Seen) -> bool:
    return abs(one.value - other.value) > max(one.u, other.u)


def _improved(before: Seen, then: Seen, row: Characteristic) -> bool:
    if row.kind != "limit" or row.worse is None:
        return False
    gained = before.value - then.value if row.worse == "higher" else then.value - before.value
    return gained > max(before.u, then.u)


def counting(measured: Measured, row: Characteristic, occupant: Occupant | None) -> Taken:
    """The latest reading, or the worst of those that disagree while it is one of them (CONTRACT D)."""
    latest = measured.latest
    found = [d for d in doubtful(measured, row, occupant) if d.code == "readings-disagree"]
    rivals = [seen for d in found for seen in (d.first, d.then)]
    if row.worse is None or all(seen.taken is not latest for seen in rivals):
        return latest
    return (max if row.worse == "higher" else min)(rivals, key=lambda seen: seen.value).taken
