"""The meter chain of a unit: counts that are replaced, roll over, run backwards or have gaps (JOB.md 4.4, CONTRACT D).

A reading is never clamped. Where the chain has a gap or a contradiction, hours are a range until somebody answers.
"""

from datetime import datetime, timedelta
from decimal import Decimal
from typing import Literal

from service_api.calc.uom import WrongDimension, convert
from service_api.domain.forms import Quantity, Unknown
from service_api.domain.records import record, replace

ZERO = Decimal(0)
DAY = Decimal(24)  # no counter of hours gains more in a day
ONE_DAY = timedelta(days=1)
RESOLUTION = Decimal("0.1")  # hours; what a counter shows (JOB.md 1.1)
QUERY = 3  # times the usual rate (JOB.md 4.4, DEMO)


@record(kw_only=True)
class MeterState:
    """A counter and the chain behind it: total = base + count, the base a range once the chain has a gap.

    low, high : what the chain before this counter adds
    last, last_high : the count last shown; two figures when it was estimated as a range
    links : entries that made the chain what it is (start, replacements, rolls, doubts)
    usual_sum, usual_n : hours per day of the intervals so far, and how many (those of a day or more)
    """

    meter: str
    uom: str
    rolls_at: Decimal | None = None
    low: Decimal = ZERO
    high: Decimal = ZERO
    last: Decimal | None = None
    last_high: Decimal | None = None
    last_at: datetime | None = None
    last_entry: str | None = None
    how: Literal["read", "estimated"] = "read"
    links: tuple[str, ...] = ()
    usual_sum: Decimal = ZERO
    usual_n: int = 0

    @property
    def total(self) -> tuple[Decimal, Decimal] | None:
        """The total count so far as (low, high), in the meter's uom; None while it was never read."""
        if self.last is None:
            return None
        return self.low + self.last, self.high + (self.last_high or self.last)


@record
class Doubt:
    """What a reading contradicts: the code of the discrepancy, the entries, and the detail in words."""

    code: str
    entries: tuple[str, ...]
    detail: str


def amount(value: Quantity | Unknown, uom: str) -> Decimal | None:
    """The quantity in the meter's uom, None when it is not known. Raises WrongDimension."""
    return None if isinstance(value, Unknown) else convert(value.value, value.uom, uom)


def in_hours(value: object) -> Decimal | None:
    """A quantity of time in hours; None for anything else, or when it is not known."""
    if not isinstance(value, Quantity):
        return None
    try:
        return amount(value, "h")
    except WrongDimension:
        return None


def read(
    meter: MeterState,
    count: Decimal,
    at: datetime,
    entry: str,
    how: Literal["read", "estimated"] = "read",
    count_high: Decimal | None = None,
) -> tuple[MeterState, list[Doubt]]:
    """The meter after it showed `count`, and what that contradicts."""
    doubts: list[Doubt] = []
    now = replace(meter, last=count, last_high=count_high, last_at=at, last_entry=entry, how=how)
    if meter.last is None or meter.last_at is None or meter.last_entry is None:
        return replace(now, links=(*meter.links, entry)), doubts
    highest = meter.last_high or meter.last
    if (count_high or count) < meter.last:
        doubts.append(
            Doubt(
                "meter-backwards",
                (meter.last_entry, entry),
                f"{meter.meter} showed {highest:f} before, {count:f} now: replaced, rolled over, misread, wrong unit?",
            )
        )
        return replace(now, high=meter.high + highest, links=(*meter.links, meter.last_entry, entry)), doubts
    gained, span = count - highest, at - meter.last_at
    if meter.uom != "h" or (gained <= RESOLUTION and span < ONE_DAY):
        return now, doubts
    days = Decimal(str(span.total_seconds())) / 86400
    if gained > RESOLUTION and gained > DAY * days:
        detail = f"{gained:f} h in {days:.2f} days; a day has 24"
        doubts.append(Doubt("meter-too-fast", (meter.last_entry, entry), detail))
    elif days >= 1:
        if meter.usual_n >= 2 and gained / days > QUERY * meter.usual_sum / meter.usual_n:
            usual = meter.usual_sum / meter.usual_n
            detail = f"query: {gained / days:.2f} h a day, usually {usual:.2f}"
            doubts.append(Doubt("meter-too-fast", (meter.last_entry, entry), detail))
        if gained >= 0:
            rate = (gained / days).quantize(Decimal("0.000001"))
            now = replace(now, usual_sum=meter.usual_sum + rate, usual_n=meter.usual_n + 1)
    return now, doubts


def replaced(
    meter: MeterState,
    old_final: Decimal | None,
    new_start: Decimal,
    at: datetime,
    entry: str,
    old_range: tuple[Decimal, Decimal] | None = None,
) -> tuple[MeterState, list[Doubt]]:
    """The meter after an exchange. Without the old final count the gap runs from the last reading to 24 h a day."""
    doubts: list[Doubt] = []
    if old_final is not None:
        low = high = old_final
    elif old_range is not None:
        low, high = old_range
    else:
        low = meter.last or ZERO
        days = Decimal(str((at - meter.last_at).total_seconds())) / 86400 if meter.last_at else ZERO
        high = low + (DAY * days).quantize(RESOLUTION)
    if old_final is None:
        entries = (meter.last_entry, entry) if meter.last_entry else (entry,)
        doubts.append(Doubt("meter-gap", entries, f"between {low:f} and {high:f} at the exchange, not read"))
    elif meter.last is not None and meter.last_entry and old_final < meter.last:
        detail = f"{meter.meter} showed {meter.last:f} before and {old_final:f} when it was taken off: misread?"
        doubts.append(Doubt("meter-backwards", (meter.last_entry, entry), detail))
    return (
        replace(
            meter,
            low=meter.low + low - new_start,
            high=meter.high + high - new_start,
            last=new_start,
            last_high=None,
            last_at=at,
            last_entry=entry,
            how="read",
            links=(*meter.links, entry),
        ),
        doubts,
    )


def rolled(meter: MeterState, count: Decimal, at: datetime, entry: str) -> MeterState:
    """The meter after it went through zero at `count`: total = before + count - last + new."""
    return replace(
        meter,
        low=meter.low + count,
        high=meter.high + count,
        last=ZERO,
        last_high=None,
        last_at=at,
        last_entry=entry,
        links=(*meter.links, entry),
    )
