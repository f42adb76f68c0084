"""The verdict on one reading, by the sheet revision in force when it was taken (JOB.md 1.8, CONTRACT C)."""

from collections.abc import Sequence
from decimal import ROUND_HALF_EVEN, Decimal
from fractions import Fraction
from typing import Literal

from service_api.calc import conformity as calc
from service_api.calc import uom
from service_api.domain.context import Context, SheetRevision
from service_api.domain.entries.jobs import Reading
from service_api.domain.forms import Chosen, Quantity, Unknown
from service_api.domain.gauges import fitness
from service_api.domain.matters import Taken
from service_api.domain.records import record, replace
from service_api.domain.sheets import Characteristic


@record(kw_only=True)
class Edges:
    low: Decimal | None
    high: Decimal | None


@record(kw_only=True)
class Conformity:
    """Outcome, and everything that it rests on: decimals in the sheet's uom."""

    outcome: Literal["good", "watch", "adjust", "not_proved", "replace", "undecided"]
    also: tuple[str, ...]
    value: Decimal | None
    uom: str | None
    formed: str | None
    uncertainty: Decimal | None
    limit: Decimal | Edges | None
    acting_limit: Decimal | Edges | None
    rule: str | None
    sheet_rev: int | None
    gauge_state: str
    watch: Decimal | None = None
    adjust: Decimal | None = None
    change: Decimal | None = None
    why: str | None = None


def in_sheet_uom(value: Decimal, from_uom: str, row: Characteristic) -> Decimal:
    """The value in the row's uom; a length becomes turns by the screw's lead. Raises WrongDimension."""
    try:
        return uom.convert(value, from_uom, row.uom)
    except uom.WrongDimension:
        if not isinstance(row.lead, Quantity) or not row.lead.value:
            raise
        turns = uom.convert(value, from_uom, row.lead.uom) / row.lead.value
        return uom.convert(turns, "circ", row.uom)


def in_gauge_uom(value: Decimal, row: Characteristic, gauge_uom: str) -> Decimal | None:
    """The value in the gauge's uom, None when the gauge measures something else (turns by a dial: by the lead)."""
    try:
        return uom.convert(value, row.uom, gauge_uom)
    except uom.WrongDimension:
        if not isinstance(row.lead, Quantity) or not row.lead.value:
            return None
    try:
        turns = uom.convert(value, row.uom, "circ")
        return uom.convert(turns * row.lead.value, row.lead.uom, gauge_uom)
    except uom.WrongDimension:
        return None


def shown(value: Decimal, row: Characteristic) -> Decimal:
    """The value with one digit beyond the sheet's resolution, when it has more; else as it is."""
    if row.resolution is None:
        return value
    exponent = row.resolution.as_tuple().exponent
    step = Decimal(1).scaleb(int(exponent) - 1)
    return value.quantize(step, ROUND_HALF_EVEN) if value.as_tuple().exponent < step.as_tuple().exponent else value  # type: ignore[operator]


def form_of(row: Characteristic) -> Literal["max", "min", "mean", "range"]:
    """How the value is formed: as the sheet says, else the worst of the readings."""
    return row.form or ("min" if row.worse == "lower" else "max")


def form_value(readings: Sequence[Reading], from_uom: str, row: Characteristic) -> Decimal | None:
    """The formed value in the sheet's uom, None when no reading is known."""
    values = [r.value for r in readings if isinstance(r.value, Decimal)]
    if from_uom != row.uom:
        values = [in_sheet_uom(value, from_uom, row) for value in values]
    return calc.formed(values, form_of(row)) if values else None


def undecided(
    why: str, row: Characteristic | None = None, rev: int | None = None, gauge_state: str = "none"
) -> Conformity:
    return Conformity(
        outcome="undecided",
        also=(),
        value=None,
        uom=row.uom if row else None,
        formed=form_of(row) if row and row.kind != "choice" else None,
        uncertainty=None,
        limit=None,
        acting_limit=None,
        rule=row.rule if row else None,
        sheet_rev=rev,
        gauge_state=gauge_state,
        why=why,
    )


def judge(
    taken: Taken, row: Characteristic, revision: SheetRevision, context: Context, baseline: Taken | None
) -> Conformity:
    """The verdict on a reading. It never refuses: what cannot be judged is `undecided`, and `why` says why."""
    if row.kind == "choice":
        return _chosen(taken, row, revision, context)
    try:
        value = form_value(taken.readings, taken.uom, row)
        first = form_value(baseline.readings, baseline.uom, row) if baseline and row.against_baseline else None
    except uom.WrongDimension as error:
        return undecided(str(error), row, revision.rev)
    gauge_state = _gauge_state(taken, row, value, context)
    unknown = [r for r in taken.readings if isinstance(r.value, Unknown)]
    if value is None or unknown or any(isinstance(r.value, Chosen) for r in taken.readings):
        reason = unknown[0].value.unknown if unknown and isinstance(unknown[0].value, Unknown) else "no reading"
        if any(isinstance(r.value, Chosen) for r in taken.readings):
            return undecided(
                f"a word is written where {row.code} is measured in {row.uom}", row, revision.rev, gauge_state
            )
        return undecided(f"a value is not known: {reason}", row, revision.rev, gauge_state)
    change = None
    if row.against_baseline:
        if not first:
            return undecided("no baseline: the first as-left reading sets it", row, revision.rev, gauge_state)
        change = (value - first) / first * 100
    u = uncertainty(taken, row, value, first)
    guarded = row.rule == "guarded"
    judged = change if change is not None else value
    outcome, also, limit, acting = _outcome(row, judged, u, guarded)
    why: str | None = _gauge_doubt(taken, row, gauge_state)
    if why is None and outcome != "replace":  # a bad enough reading needs no further positions
        why = _too_few(taken, row)
    if why is not None:
        outcome, also = "undecided", ()
    if outcome == "undecided" and why is None:
        why = "guarded, and no uncertainty is stated" if guarded and u is None else "the sheet states no limit"
    return Conformity(
        outcome=outcome,
        also=also,
        value=shown(value, row),
        uom=row.uom,
        formed=form_of(row),
        uncertainty=u,
        limit=limit,
        acting_limit=acting,
        rule=row.rule or "simple",
        sheet_rev=revision.rev,
        gauge_state=gauge_state,
        watch=row.watch,
        adjust=row.adjust,
        change=None if change is None else shown(change, row),
        why=why,
    )


WORST = ("replace", "watch", "adjust", "good")


def _chosen(taken: Taken, row: Characteristic, revision: SheetRevision, context: Context) -> Conformity:
    """The worst of the words that were chosen; a word that the sheet does not offer decides nothing."""
    gauge_state = _gauge_state(taken, row, None, context)
    outcomes = {c.word: c.outcome for c in row.choices or ()}
    found = [outcomes.get(r.value.word) if isinstance(r.value, Chosen) else None for r in taken.readings]
    worst = next((word for word in WORST if word in found), None)
    why = _gauge_doubt(taken, row, gauge_state)
    if why is None and worst != "replace":  # one bad place is enough
        why = f"the sheet offers {', '.join(outcomes)}" if None in found else _too_few(taken, row)
    judged = undecided(why or "no reading", row, revision.rev, gauge_state)
    return judged if why is not None or worst is None else replace(judged, outcome=worst, why=None)


def _outcome(
    row: Characteristic, value: Decimal, u: Decimal | None, guarded: bool
) -> tuple[calc.Outcome, tuple[str, ...], Decimal | Edges | None, Decimal | Edges | None]:
    if row.kind == "window":
        outcome, window = calc.against_window(value, row.low, row.high, u, guarded)
        return outcome, (), Edges(low=row.low, high=row.high), Edges(low=window.low, high=window.high)
    verdict = calc.against_limit(value, row.worse or "higher", row.replace, row.watch, row.adjust, u, guarded)
    return verdict.outcome, verdict.also, row.replace, verdict.acting


def uncertainty(taken: Taken, row: Characteristic, value: Decimal, first: Decimal | None) -> Decimal | None:
    """The reading's own U where stated, else the sheet's (a percentage is of the value).

    Against a baseline (`first`) U is in %: the sheet's is written so, any other is divided by the baseline.
    """
    if isinstance(taken.uncertainty, Quantity):
        try:
            own = _difference(taken.uncertainty.value, taken.uncertainty.uom, row)
        except uom.WrongDimension:
            return None
    elif row.uncertainty is not None:
        return row.uncertainty
    elif row.uncertainty_percent is not None:
        own = abs(value) * row.uncertainty_percent / 100
    else:
        return None
    return own if first is None else own / abs(first) * 100


def _difference(value: Decimal, from_uom: str, row: Characteristic) -> Decimal:
    """A difference, such as an uncertainty, in the row's uom: on a temperature scale the zero does not move it."""
    try:
        ratio = uom.factor(from_uom, row.uom)
    except uom.WrongDimension:
        return in_sheet_uom(value, from_uom, row)
    return value if ratio == 1 else uom.decimal_from(Fraction(value) * ratio)


def _gauge_state(taken: Taken, row: Characteristic, value: Decimal | None, context: Context) -> str:
    if taken.gauge is None:
        return "none"
    record = context.gauges.get(taken.gauge)
    if record is None:
        return "overdue"
    calibration = record.before(taken.at)
    values: tuple[Decimal, ...] = ()
    limit, new = None, None
    if calibration is not None and value is not None and not row.against_baseline:
        own = calibration.body.uom
        if (measured := in_gauge_uom(value, row, own)) is not None:
            values = (measured,)
            limit = None if row.replace is None else in_gauge_uom(row.replace, row, own)
            ends = [in_gauge_uom(end, row, own) for end in row.new or ()]
            new = (ends[0], ends[1]) if len(ends) == 2 and None not in ends else None
    return fitness(record, taken.at, context.day(taken.at), values, limit, new)  # type: ignore[arg-type]


def _gauge_doubt(taken: Taken, row: Characteristic, gauge_state: str) -> str | None:
    """Why the gauge's reading cannot decide, whatever it shows."""
    match gauge_state:
        case "none" if row.needs_gauge:
            return "no gauge is named, and this characteristic needs one"
        case "overdue":
            return f"the gauge {taken.gauge} was not in calibration on that day"
        case "too-coarse":
            return f"the gauge {taken.gauge} is too coarse for this limit"
        case "out-of-range":
            return f"the reading or the limit lies outside the range of the gauge {taken.gauge}"
    return None


def _too_few(taken: Taken, row: Characteristic) -> str | None:
    asked = len(row.positions or ())
    if len(taken.readings) < asked:
        return f"the sheet asks for {asked} positions, {len(taken.readings)} were read"
    return None
