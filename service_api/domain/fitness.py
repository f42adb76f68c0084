"""Is this gauge fit for this limit today, and which would do (JOB.md question 4; CONTRACT D, Gauge fitness)."""

from collections.abc import Sequence
from datetime import date, datetime
from decimal import ROUND_HALF_EVEN, Decimal
from typing import NamedTuple

from service_api.domain.condition import AsOf
from service_api.domain.conformity import in_gauge_uom
from service_api.domain.gauges import QUARTER, Calibration, Fitness, GaugeRecord, fitness
from service_api.domain.records import record
from service_api.domain.sheets import Characteristic


@record(kw_only=True)
class GaugeFitness:
    """ratio : U of the gauge by the span of wear, null where either is not known; limit, uncertainty : in `uom`

    instead : gauges that would do, the like of this one first; none when it is fit itself
    """

    gauge: str
    characteristic: str
    class_: str
    on: str
    as_of: AsOf
    fit: bool
    why: Fitness
    words: str
    ratio: Decimal | None
    uncertainty: Decimal | None
    limit: Decimal | None
    uom: str | None
    due: str | None
    instead: tuple[str, ...]
    entries: tuple[str, ...]


class Judged(NamedTuple):
    why: Fitness
    ratio: Decimal | None
    limit: Decimal | None
    calibration: Calibration | None


class Candidate(NamedTuple):
    """A gauge, its class and what is known of it."""

    gauge: str
    class_: str
    record: GaugeRecord


def judge(record: GaugeRecord, row: Characteristic, at: datetime, day: date) -> Judged:
    """What stands against a gauge for a row of a sheet; nothing that measures another thing reaches its limit."""
    calibration = record.before(at)
    if calibration is None:
        return Judged("overdue", None, None, None)
    own = calibration.body.uom
    if in_gauge_uom(Decimal(1), row, own) is None:
        return Judged("out-of-range", None, None, calibration)
    edges: tuple[Decimal, ...] = ()
    limit: Decimal | None = None
    new: tuple[Decimal, Decimal] | None = None
    if not row.against_baseline:
        edges = tuple(_in(end, row, own) for end in (row.low, row.high) if end is not None)
        limit = None if row.replace is None else _in(row.replace, row, own)
        new = (_in(row.new[0], row, own), _in(row.new[1], row, own)) if row.new else None
    return Judged(fitness(record, at, day, edges, limit, new), _ratio(calibration, limit, new), limit, calibration)


def _in(value: Decimal, row: Characteristic, own: str) -> Decimal:
    found = in_gauge_uom(value, row, own)
    assert found is not None, "the uom fits, which was looked at before"
    return found


def _ratio(calibration: Calibration, limit: Decimal | None, new: tuple[Decimal, Decimal] | None) -> Decimal | None:
    u = calibration.body.uncertainty
    if u is None or limit is None or new is None:
        return None
    span = min(abs(limit - end) for end in new)
    return (u / span).quantize(Decimal("0.001"), ROUND_HALF_EVEN) if span else None


def fit_for(
    asked: Candidate,
    others: Sequence[Candidate],
    row: Characteristic,
    class_: str,
    at: datetime,
    day: date,
    as_of: AsOf,
) -> GaugeFitness:
    """others : every other gauge of the book; at : the end of the day"""
    found = judge(asked.record, row, at, day)
    instead: list[tuple[bool, Decimal, str]] = []
    for other in others if found.why != "ok" else ():
        judged = judge(other.record, row, at, day)
        if judged.why == "ok":
            instead.append((other.class_ != asked.class_, judged.ratio or QUARTER, other.gauge))
    body = found.calibration.body if found.calibration else None
    return GaugeFitness(
        gauge=asked.gauge,
        characteristic=row.code,
        class_=class_,
        on=day.isoformat(),
        as_of=as_of,
        fit=found.why == "ok",
        why=found.why,
        words=_words(found, row, day),
        ratio=found.ratio,
        uncertainty=body.uncertainty if body else None,
        limit=found.limit,
        uom=body.uom if body else None,
        due=body.due if body and isinstance(body.due, str) else None,
        instead=tuple(gauge for *_, gauge in sorted(instead)),
        entries=(found.calibration.entry,) if found.calibration else (),
    )


def _words(found: Judged, row: Characteristic, day: date) -> str:
    match found.why:
        case "ok":
            return f"fit for {row.code}"
        case "overdue":
            return f"not in calibration on {day.isoformat()}: please take another"
        case "too-coarse":
            return f"its uncertainty is {found.ratio} of the span of wear of {row.code}, where 0.25 is the most"
        case "found-out":
            return "its next calibration found it out of what is allowed: please take another"
    return f"{row.code} or its limit lies outside what this gauge measures"
