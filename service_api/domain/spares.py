"""What will be needed of a part: lives from the slots' histories, survivors counted (CONTRACT D, Spares)."""

from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import date, datetime, timedelta
from decimal import Decimal
from math import exp, sqrt
from statistics import NormalDist
from typing import Literal

from service_api.calc.life import Fit, Weibull, fit_weibull, mean_time
from service_api.calc.lines import Interval
from service_api.calc.refused import Refused
from service_api.calc.stock import least_stock
from service_api.domain.condition import AsOf
from service_api.domain.entries.parts import LotMoved, LotReceived, PartFitted, PartRemoved, PartSold
from service_api.domain.fold import step
from service_api.domain.hours import hours_on
from service_api.domain.matters import Occupant
from service_api.domain.records import record
from service_api.domain.state import UnitState, begin
from service_api.domain.timeline import Item

FEWEST = 5  # failures before a shape is fitted
LEVEL = 0.90  # of the interval
ASSURANCE = 0.95  # that the stock is enough
RATE_DAYS = 370
MOST = 1e6  # sets; beyond it a number says nothing


@record
class Life:
    """One set in one slot of one unit. hours : on it, the lowest where a gap leaves a range; None: not known"""

    part_nos: tuple[str, ...]
    unit: str
    slot: str
    pieces: int
    entry: str
    hours: float | None
    end: Literal["failed", "sound", "running"]
    ended_by: str | None
    per_day: float | None  # hours that its unit does a day; None: not known


@record(kw_only=True)
class Basis:
    """The lives that the forecast rests on, those whose hours are not known, and why no shape was fitted."""

    failed: int
    running: int
    ended_sound: int
    model: Literal["exponential", "weibull"]
    shape: Decimal | None
    scale: Decimal | None
    why: str | None
    unknown_hours: int
    unknown_rate: int


@record(kw_only=True)
class Range:
    low: Decimal
    high: Decimal


@record(kw_only=True)
class Wanted:
    """Sets that are enough with this assurance: at the expected number, and at its high end; and those on the shelf.

    Null where the number leaves all reason.
    """

    assurance: Decimal
    sets: int | None
    at_most: int | None
    on_hand: int | None


@record(kw_only=True)
class SparesForecast:
    """Expected failures up to and on `until`, in sets, with the 90 % interval of that expectation.

    pieces : in a set; order_by : the last day to order so that the stock on hand is enough, null when it is
    """

    part_no: str
    until: str
    as_of: AsOf
    expected: Decimal | None
    interval: Range | None
    pieces: int
    stock: Wanted | None
    order_by: str | None
    supply_days: int | None
    basis: Basis
    entries: tuple[str, ...]


def lives_of(unit: str, facts: Sequence[Item]) -> tuple[Life, ...]:
    """Every set that was ever in a slot of the unit: those that ended, in the order of their ends, then the others."""
    state = begin(unit)
    found: list[Life] = []
    read: list[tuple[datetime, Decimal]] = []
    for item in facts:
        before, state = state, step(state, item)
        if state.slots is not before.slots:
            found += _ended(before, state, item)
        meter, total = state.hours_meter, state.hours
        if meter is not None and meter.last_at is not None and total is not None:
            if read and read[-1][0] == meter.last_at:
                read.pop()
            read.append((meter.last_at, total[0]))
    rate = None if state.retired or state.sold else _per_day(read)
    for slot, occupants in state.slots.items():
        found += [_life(state, slot, occupant, "running", None, rate) for occupant in occupants]
    return tuple(found)


def _ended(before: UnitState, after: UnitState, item: Item) -> list[Life]:
    """What this entry took out: failed when it is a removal that names a finding, else still sound (CONTRACT D)."""
    found = []
    failed = isinstance(item.body, PartRemoved) and item.body.finding is not None
    for slot, occupants in before.slots.items():
        left = {occupant.entry for occupant in after.slots.get(slot, ())}
        for occupant in occupants:
            if occupant.entry not in left:
                end: Literal["failed", "sound"] = "failed" if failed else "sound"
                found.append(_life(before, slot, occupant, end, item.entry.id, None))
    return found


def _life(
    state: UnitState,
    slot: str,
    occupant: Occupant,
    end: Literal["failed", "sound", "running"],
    ended_by: str | None,
    rate: float | None,
) -> Life:
    hours = hours_on(state, occupant)
    ran = hours.value if hours.value is not None else hours.low
    return Life(
        part_nos=tuple(dict.fromkeys(piece.part_no for piece in occupant.pieces)),
        unit=state.unit,
        slot=slot,
        pieces=sum(piece.qty for piece in occupant.pieces),
        entry=occupant.entry,
        hours=None if ran is None else float(ran),
        end=end,
        ended_by=ended_by,
        per_day=rate,
    )


def _per_day(read: Sequence[tuple[datetime, Decimal]]) -> float | None:
    """Hours a day from the oldest reading of the meter no more than 370 days before the last; None without a span."""
    if not read:
        return None
    last_at, last = read[-1]
    first_at, first = next((at, total) for at, total in read if last_at - at <= timedelta(days=RATE_DAYS))
    days = (last_at - first_at).total_seconds() / 86400
    return float(last - first) / days if days >= 1 and last > first else None


@record
class _Model:
    """A fitted life, and what it expects of the running sets with its interval."""

    name: Literal["exponential", "weibull"]
    life: Weibull | None  # None: no failure yet, so that only an upper bound is known
    why: str | None
    expects: Callable[[float], float]  # days from now -> failures
    interval: Callable[[float], Interval]


def forecast(
    part_no: str, lives: Sequence[Life], on: date, until: date, supply_days: int | None, stock: int | None, as_of: AsOf
) -> SparesForecast:
    """Forecast the failures of a part from a day up to and on another.

    lives : every set of the part; until : on or after `on`; stock : pieces on the shelf, None: not known
    Raises NeedsExtra. Without lives that have hours nothing is expected: `expected` is null and `basis.why` says so.
    Valid for one duty and for a period in which few slots fail twice. The interval is that of the expectation; the
    number that fails scatters about it as a Poisson variable does, which the stock allows for.
    """
    ended = [life for life in lives if life.end != "running"]
    running = [life for life in lives if life.end == "running"]
    pieces = max((life.pieces for life in lives), default=1)
    known = sorted(life.per_day for life in running if life.per_day is not None)
    usual = known[len(known) // 2] if known else 0.0
    ahead = [(life.hours or 0.0, usual if life.per_day is None else life.per_day) for life in running]
    days = (until - on).days
    model = _model(lives, ahead, days)
    on_hand = None if stock is None else max(0, stock) // pieces
    basis = Basis(
        failed=sum(life.end == "failed" for life in lives),
        running=len(running),
        ended_sound=sum(life.end == "sound" for life in lives),
        model=model.name if model else "exponential",
        shape=_digits(model.life.shape) if model and model.life else None,
        scale=_digits(model.life.scale) if model and model.life else None,
        why=model.why if model else "no-hours",
        unknown_hours=sum(life.hours is None or (life.hours <= 0 and life.end != "running") for life in lives),
        unknown_rate=sum(life.per_day is None for life in running),
    )
    entries = tuple(dict.fromkeys(x for life in (*ended, *running) for x in (life.entry, life.ended_by) if x))
    band = model.interval(days) if model else None
    return SparesForecast(
        part_no=part_no,
        until=until.isoformat(),
        as_of=as_of,
        expected=_digits(model.expects(days)) if model else None,
        interval=None if band is None else Range(low=_digits(band.low), high=_digits(band.high)),
        pieces=pieces,
        stock=None if model is None or band is None else _wanted(model.expects(days), band.high, on_hand),
        order_by=None if model is None else _order_by(model, on, days, on_hand or 0, supply_days or 0),
        supply_days=supply_days,
        basis=basis,
        entries=entries,
    )


def _wanted(expected: float, high: float, on_hand: int | None) -> Wanted:
    return Wanted(
        assurance=Decimal(str(ASSURANCE)),
        sets=_enough(expected),
        at_most=_enough(high),
        on_hand=on_hand,
    )


def _enough(mean: float) -> int | None:
    """The least stock for a mean demand; None above what any shop could mean."""
    return least_stock(mean, ASSURANCE).stock if mean <= MOST else None


def _order_by(model: _Model, on: date, days: int, on_hand: int, supply_days: int) -> str | None:
    """The first day on which what is on hand is no longer enough, less the days of supply; None when it lasts."""

    def short(after: int) -> bool:
        enough = _enough(model.expects(after))
        return enough is None or enough > on_hand

    if not short(days):
        return None
    low, high = 0, days
    while low < high:
        middle = (low + high) // 2
        low, high = (low, middle) if short(middle) else (middle + 1, high)
    return (on + timedelta(days=low - supply_days)).isoformat()


def _model(lives: Sequence[Life], ahead: Sequence[tuple[float, float]], days: int) -> _Model | None:
    """The life of the part, by Weibull from five failures on, else at a constant rate; None without any hours.

    ahead : of each running set, the hours on it and the hours a day to come; days : of the period
    """
    used = [life for life in lives if life.hours is not None and life.hours > 0]
    failed = [life.hours for life in used if life.end == "failed" and life.hours is not None]
    sound = [life.hours for life in used if life.end != "failed" and life.hours is not None]
    why = None
    if len(failed) >= FEWEST:
        try:
            return _weibull(fit_weibull(failed, sound), ahead, days)
        except Refused as refused:
            why = refused.reason
    if not used:
        return None
    found = mean_time(sum(failed) + sum(sound), len(failed), LEVEL)

    def hours(days: float) -> float:
        return sum(rate for _, rate in ahead) * days

    def interval(days: float) -> Interval:
        return Interval(0.0 if found.upper is None else hours(days) / found.upper, hours(days) / found.lower)

    def expects(days: float) -> float:
        return 0.0 if found.mtbf is None else hours(days) / found.mtbf

    return _Model("exponential", Weibull(1.0, found.mtbf) if found.mtbf else None, why, expects, interval)


def _weibull(fit: Fit, ahead: Sequence[tuple[float, float]], days: int) -> _Model:
    """Raises Refused (`out-of-range`) where a steep shape carries the expectation beyond what any shop could mean."""

    def expected(life: Weibull, days: float) -> float:
        return sum(life.cumulative_hazard(t + rate * days) - life.cumulative_hazard(t) for t, rate in ahead)

    def interval(days: float) -> Interval:
        """By the delta method on the logarithm, with the fit's own uncertainties (Meeker and Escobar, 8.4.3)."""
        middle = expected(fit.life, days)
        if middle <= 0:
            return Interval(0.0, 0.0)
        small, shape, scale = 1e-5, fit.life.shape, fit.life.scale
        by_scale = (expected(Weibull(shape, scale * exp(small)), days) - middle) / small / middle
        by_shape = (expected(Weibull(shape * exp(small), scale), days) - middle) / small / middle
        a, b = by_scale * fit.u_scale / scale, by_shape * fit.u_shape / shape
        z = -NormalDist().inv_cdf((1 - LEVEL) / 2)
        away = z * sqrt(max(0.0, a * a + b * b + 2 * fit.correlation * a * b))
        return Interval(middle * exp(-away), middle * exp(away))

    try:
        reasonable = interval(days).high <= MOST
    except OverflowError:
        reasonable = False
    if not reasonable:
        raise Refused("out-of-range", "the shape is too steep to carry this far")
    return _Model("weibull", fit.life, None, lambda days: expected(fit.life, days), interval)


def _digits(value: float) -> Decimal:
    """Four significant digits; those beyond are scatter."""
    return Decimal(format(Decimal(f"{value:.4g}"), "f"))


@record
class UnitParts:
    """What one unit's page says of parts: every set's life, and by part and lot the pieces taken from the shelf."""

    lives: tuple[Life, ...]
    taken: dict[tuple[str, str], int]


def parts_of(unit: str, facts: Sequence[Item]) -> UnitParts:
    """facts : of the unit's whole page, for the hours of a life hang on every reading of the meter"""
    taken = Counter[tuple[str, str]]()
    for item in facts:
        match item.body:
            case PartFitted(pieces=pieces, from_=source) if source in (None, "stock"):
                taken.update({(piece.part_no, piece.lot): piece.qty for piece in pieces if piece.lot})
            case PartRemoved(pieces=pieces, to="stock"):
                taken.subtract({(piece.part_no, piece.lot): piece.qty for piece in pieces or () if piece.lot})
    return UnitParts(lives_of(unit, facts), dict(taken))


def on_hand(part_no: str, lots: Mapping[str, Sequence[Item]], units: Iterable[UnitParts]) -> int | None:
    """Pieces of the part on the shelf by its lots: received and moved in, less moved out, sold and fitted from stock.

    lots : by lot, its facts; None when no lot of the part was ever received
    """
    count, known = 0, set()
    for lot, page in lots.items():
        for item in page:
            match item.body:
                case LotReceived(part_no=part, qty=qty) if part == part_no:
                    known.add(lot)
                    count += qty
                case LotMoved(part_no=part, qty=qty, from_=source, to=target) if part == part_no:
                    count += qty * ((target == "stock") - (source == "stock"))
                case PartSold(part_no=part, qty=qty) if part == part_no:
                    count -= qty
    if not known:
        return None
    return count - sum(unit.taken.get((part_no, lot), 0) for unit in units for lot in known)
