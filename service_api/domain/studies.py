"""What the book's own record says of its gauges and of its slots: double measurements, repairs that come again, ages.

No call asks for these; they are for whoever studies a book, with `calc` behind them.
"""

from collections.abc import Iterable, Sequence
from datetime import timedelta
from decimal import Decimal

from service_api.calc.gauge_study import Precision, precision
from service_api.calc.life import fit_weibull
from service_api.calc.recurrence import History
from service_api.calc.replacement import AgeReplacement, age_replacement
from service_api.domain.conformity import form_value
from service_api.domain.entries.jobs import ReadingTaken, SettingLeft, WorkDone
from service_api.domain.entries.parts import PartFitted, PartRemoved
from service_api.domain.entries.releases import RebuildCompleted
from service_api.domain.fold import step
from service_api.domain.records import record
from service_api.domain.sheets import Characteristic
from service_api.domain.spares import Life
from service_api.domain.state import UnitState, begin
from service_api.domain.timeline import Item

SAME_STATE = timedelta(hours=24)  # two readings of one thing lie no further apart (CONTRACT D, readings-disagree)


@record
class Double:
    """One thing measured twice in one state: the two values in the row's uom, and whether by one person."""

    unit: str
    entries: tuple[str, str]
    values: tuple[Decimal, Decimal]
    same_person: bool


@record
class BookStudy:
    """Scatter of one characteristic as the bench reads it, in its uom; None where no pair tells it.

    repeatability : of pairs by one person; reproducibility : of pairs by two
    """

    repeatability: Precision | None
    reproducibility: Precision | None


def doubles(unit: str, facts: Sequence[Item], row: Characteristic) -> list[Double]:
    """Pairs of readings of a row within 24 h, same stage and occupant, with no work, part or setting between.

    Each reading stands in one pair only, so that the pairs are independent.
    """
    found: list[Double] = []
    waiting: tuple[Item, Decimal] | None = None
    for item in facts:
        body = item.body
        if isinstance(body, ReadingTaken) and body.characteristic == row.code:
            try:
                value = form_value(body.readings, body.uom, row)
            except ValueError:
                value = None
            if value is None:
                continue
            if waiting is not None and _same_state(waiting[0], item):
                first, before = waiting
                ids, values = (first.entry.id, item.entry.id), (before, value)
                found.append(Double(unit, ids, values, first.entry.by == item.entry.by))
                waiting = None
            else:
                waiting = (item, value)
        elif isinstance(body, WorkDone | PartFitted | PartRemoved | SettingLeft | RebuildCompleted):
            waiting = None
    return found


def _same_state(first: Item, second: Item) -> bool:
    return first.body.stage == second.body.stage and second.at - first.at <= SAME_STATE


def book_study(pairs: Iterable[Double]) -> BookStudy:
    """Study a gauge by the book's own double measurements: each pair is a group of two (`calc.gauge_study.precision`).

    s_r of pairs by one person is the repeatability, of pairs by two people it holds their difference too. Raises
    nothing; under two pairs there is no study. Valid for readings taken as at any other time, not for show.
    """
    every = list(pairs)
    groups = {
        same: [[float(v) for v in pair.values] for pair in every if pair.same_person is same] for same in (True, False)
    }
    return BookStudy(*(precision(groups[same]) if len(groups[same]) > 1 else None for same in (True, False)))


def slot_history(unit: str, facts: Sequence[Item], slot: str) -> History | None:
    """The unit's failures in a slot by its hours, up to its hours now; None without hours, or before the first.

    Removals that name a finding are failures (CONTRACT D, Spares). One for each unit is what `mean_cumulative` takes.
    """
    state: UnitState = begin(unit)
    events: list[float] = []
    for item in facts:
        state = step(state, item)
        body, total = item.body, state.hours
        if isinstance(body, PartRemoved) and body.slot == slot and body.finding is not None and total is not None:
            events.append(float(total[0]))
    if state.hours is None or state.hours[0] <= 0:
        return None
    return History([event for event in events if event > 0], float(state.hours[0]))


def replacement_age(lives: Iterable[Life], cost_planned: float, cost_failure: float) -> AgeReplacement:
    """The hours at which to replace a part before it fails, from its lives in the book and what either change costs.

    Raises Refused as `fit_weibull` and `age_replacement` do; NeedsExtra.
    """
    used = [life for life in lives if life.hours is not None and life.hours > 0]
    failed = [life.hours for life in used if life.end == "failed" and life.hours is not None]
    running = [life.hours for life in used if life.end != "failed" and life.hours is not None]
    return age_replacement(cost_planned, cost_failure, fit_weibull(failed, running).life)
