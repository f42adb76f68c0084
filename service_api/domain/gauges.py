"""Whether a gauge was fit for a limit on a day (JOB.md 1.23, CONTRACT D, Gauge fitness)."""

from datetime import date, datetime
from decimal import Decimal
from typing import Literal

from service_api.domain.entries.gauges import GaugeCalibrated
from service_api.domain.records import record

Fitness = Literal["ok", "too-coarse", "overdue", "out-of-range", "found-out"]
QUARTER = Decimal("0.25")  # U at most a quarter of the span of wear: common practice, no source


@record
class Calibration:
    entry: str
    index: int
    at: datetime
    body: GaugeCalibrated

    @property
    def sound(self) -> bool:
        """As found, every error was inside what is allowed."""
        return all(abs(point.error) <= self.body.allowed_error for point in self.body.as_found)


@record
class GaugeRecord:
    """A gauge's calibrations in the order of their moments."""

    gauge: str
    calibrations: tuple[Calibration, ...]
    index: int

    def before(self, at: datetime) -> Calibration | None:
        """The last calibration at or before a moment."""
        return next((c for c in reversed(self.calibrations) if c.at <= at), None)

    def found_out_after(self, at: datetime) -> bool:
        """The next calibration after a moment found the gauge out of what is allowed."""
        later = next((c for c in self.calibrations if c.at > at), None)
        return later is not None and not later.sound


def fitness(
    record: GaugeRecord,
    at: datetime,
    day: date,
    values: tuple[Decimal, ...] = (),
    limit: Decimal | None = None,
    new: tuple[Decimal, Decimal] | None = None,
) -> Fitness:
    """What stands against this gauge for this reading on this day; `ok` when nothing does.

    values, limit, new : in the gauge's own uom; without them range and coarseness are not judged
    """
    calibration = record.before(at)
    if calibration is None:
        return "overdue"
    body = calibration.body
    if isinstance(body.due, str) and date.fromisoformat(body.due) < day:
        return "overdue"
    judged = (*values, *((limit,) if limit is not None else ()))
    if body.range is not None and any(not body.range[0] <= v <= body.range[1] for v in judged):
        return "out-of-range"
    if body.uncertainty is not None and limit is not None and new is not None:
        span = min(abs(limit - end) for end in new)
        if span == 0 or body.uncertainty / span > QUARTER:
            return "too-coarse"
    return "found-out" if record.found_out_after(at) else "ok"
