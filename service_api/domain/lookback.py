"""A gauge was found out: which of its readings are in doubt, and which decisions change (JOB.md 1.23; CONTRACT D).

A reading is corrected by a separate assessment and never edited: corrected = read - error, by straight lines between
the points of the finding.
"""

from collections.abc import Mapping, Sequence
from datetime import date, datetime
from decimal import ROUND_HALF_EVEN, Decimal
from itertools import pairwise
from typing import Literal, NamedTuple

from service_api.calc import uom
from service_api.domain.condition import AsOf
from service_api.domain.conformity import Conformity, Edges, form_value, in_gauge_uom, in_sheet_uom
from service_api.domain.context import Context
from service_api.domain.doubts import ACCEPTED, REFUSED, verdict
from service_api.domain.entries.gauges import GaugeChecked
from service_api.domain.entries.jobs import Reading
from service_api.domain.entries.shared import ErrorPoint
from service_api.domain.fold import step
from service_api.domain.gauges import Calibration, GaugeRecord
from service_api.domain.matters import Taken
from service_api.domain.readings import revision_for
from service_api.domain.records import record, replace
from service_api.domain.sheets import Characteristic
from service_api.domain.state import begin
from service_api.domain.timeline import Item

UnitIs = Literal["in_shop", "on_hire", "out", "sold", "retired"]
CHANGING = ("part.fitted", "part.removed")


@record(kw_only=True)
class Window:
    """After the last good calibration, up to and with the finding."""

    after: datetime | None
    until: datetime
    entries: tuple[str, ...]


@record(kw_only=True)
class Doubted:
    """One reading.

    read, corrected, limits : in `uom`, the sheet's; then, now : the outcomes as read and as corrected
    """

    entry: str
    unit: str
    characteristic: str
    at: datetime
    uom: str
    read: Decimal | None
    corrected: Decimal | None
    limit: Decimal | Edges | None
    acting_limit: Decimal | Edges | None
    sheet_rev: int | None
    cleared: bool
    then: str
    now: str
    flips: bool
    need_action: bool
    unit_is: UnitIs
    party: str | None
    entries: tuple[str, ...]


@record(kw_only=True)
class LookbackCounts:
    """flips and what follows are among the suspect ones; on_hire is among those that need action"""

    readings: int
    units: int
    cleared: int
    suspect: int
    flips: int
    need_action: int
    on_hire: int


@record(kw_only=True)
class Lookback:
    gauge: str
    as_of: AsOf
    window: Window | None
    readings: tuple[Doubted, ...]
    counts: LookbackCounts


class Finding(NamedTuple):
    """The calibration that found the gauge out, and the last good one before it."""

    found: Calibration
    good: Calibration | None

    def holds(self, at: datetime) -> bool:
        return (self.good is None or at > self.good.at) and at <= self.found.at


class Page(NamedTuple):
    """What one unit's page says: its facts in order, and what it leans on."""

    unit: str
    facts: Sequence[Item]
    context: Context


def last_finding(record_: GaugeRecord) -> Finding | None:
    """The last time that the gauge was found out. What it was put right to is a good calibration."""
    before: list[Calibration] = []
    finding: Finding | None = None
    for calibration in record_.calibrations:
        if not calibration.sound:
            finding = Finding(calibration, before[-1] if before else None)
        if calibration.sound or _put_right(calibration):
            before.append(calibration)
    return finding


def _put_right(calibration: Calibration) -> bool:
    left = calibration.body.as_left
    return left is not None and all(abs(point.error) <= calibration.body.allowed_error for point in left)


def error_at(points: Sequence[ErrorPoint], value: Decimal) -> Decimal:
    """The error at a value, in the gauge's uom: straight between points, none at nought, the last one's beyond it."""
    known = sorted((point.at, point.error) for point in points)
    if not known:
        return Decimal(0)
    if known[0][0] > 0:
        known.insert(0, (Decimal(0), Decimal(0)))
    if value <= known[0][0]:
        return known[0][1]
    for (low, error), (high, next_error) in pairwise(known):
        if value <= high:
            return error + (next_error - error) * (value - low) / (high - low)
    return known[-1][1]


def lookback(
    gauge: str, finding: Finding | None, checks: Sequence[Item], pages: Sequence[Page], sound: "Sound", as_of: AsOf
) -> Lookback:
    """checks : the gauge's block checks, in order; pages : of the units that it measured"""
    found = []
    if finding is not None:
        for page in pages:
            for item in page.facts:
                if item.entry.type == "reading.taken" and item.data.get("gauge") == gauge and finding.holds(item.at):
                    found.append(_doubted(page, item, finding, checks, sound))
    found.sort(key=lambda row: (row.at, row.entry))
    suspect = [row for row in found if not row.cleared]
    acting = [row for row in suspect if row.need_action]
    return Lookback(
        gauge=gauge,
        as_of=as_of,
        window=_window(finding) if finding else None,
        readings=tuple(found),
        counts=LookbackCounts(
            readings=len(found),
            units=len({row.unit for row in found}),
            cleared=len(found) - len(suspect),
            suspect=len(suspect),
            flips=sum(row.flips for row in suspect),
            need_action=len(acting),
            on_hire=sum(row.unit_is == "on_hire" for row in acting),
        ),
    )


def _window(finding: Finding) -> Window:
    good = finding.good
    entries = (*((good.entry,) if good else ()), finding.found.entry)
    return Window(after=good.at if good else None, until=finding.found.at, entries=entries)


class Sound:
    """Whether a gauge could be trusted at a moment, by its calibrations."""

    def __init__(self, records: Mapping[str, GaugeRecord]) -> None:
        self.records = records

    def __call__(self, gauge: str | None, at: datetime, day: date) -> bool:
        known = self.records.get(gauge or "")
        calibration = known.before(at) if known else None
        if known is None or calibration is None or known.found_out_after(at):
            return False
        due = calibration.body.due
        good = calibration.sound or _put_right(calibration)
        return good and not (isinstance(due, str) and date.fromisoformat(due) < day)


def _doubted(page: Page, item: Item, finding: Finding, checks: Sequence[Item], sound: Sound) -> Doubted:
    code = item.data["characteristic"]
    taken = step(begin(page.unit), item).measured[code].latest
    revision = revision_for(taken, page.context)
    row = revision.sheet.characteristic(code) if revision else None
    unit_is, party = _where(page.facts)
    told = Doubted(
        entry=item.entry.id,
        unit=page.unit,
        characteristic=code,
        at=item.at,
        uom=taken.uom,
        read=None,
        corrected=None,
        limit=None,
        acting_limit=None,
        sheet_rev=revision.rev if revision else None,
        cleared=False,
        then="undecided",
        now="undecided",
        flips=False,
        need_action=False,
        unit_is=unit_is,
        party=party,
        entries=(taken.entry, *taken.corrected_by, finding.found.entry),
    )
    corrected = _corrected(taken, row, finding.found) if row is not None else None
    if row is None or corrected is None:
        return told
    then, now = verdict(taken, row, page.context, None), verdict(corrected, row, page.context, None)
    cleared = _cleared(taken, row, finding, checks)
    flips = not cleared and then is not None and now is not None and _differ(then, now)
    read, value = (form_value(t.readings, t.uom, row) for t in (taken, corrected))
    digits = min((p.error.as_tuple().exponent for p in finding.found.body.as_found), default=0)
    return replace(
        told,
        uom=row.uom,
        read=read,
        corrected=None if value is None else value.quantize(Decimal(1).scaleb(int(digits)), ROUND_HALF_EVEN),
        limit=then.limit if then else None,
        acting_limit=then.acting_limit if then else None,
        cleared=cleared,
        then=then.outcome if then else "undecided",
        now=now.outcome if now else "undecided",
        flips=flips,
        need_action=flips and _still_so(page, item, row, sound),
    )


def _differ(then: Conformity, now: Conformity) -> bool:
    """Accepted before and not after, or the reverse."""
    return {then.outcome in ACCEPTED, now.outcome in ACCEPTED} == {True, False} and (
        then.outcome in REFUSED or now.outcome in REFUSED
    )


def _corrected(taken: Taken, row: Characteristic, found: Calibration) -> Taken | None:
    """The reading as a sound gauge would have shown it, in the sheet's uom; None where nothing was measured."""
    points, own = found.body.as_found, found.body.uom
    readings = []
    for reading in taken.readings:
        measured = _measured(reading, taken, row, own)
        if measured is None:
            return None
        value, on_gauge, scale = measured
        readings.append(replace(reading, value=value - error_at(points, on_gauge) / scale))
    return replace(taken, uom=row.uom, readings=tuple(readings))


def _measured(reading: Reading, taken: Taken, row: Characteristic, own: str) -> tuple[Decimal, Decimal, Decimal] | None:
    """A value in the sheet's uom, the same in the gauge's, and how many of the gauge's make one of the sheet's."""
    if not isinstance(reading.value, Decimal):
        return None
    try:
        value = in_sheet_uom(reading.value, taken.uom, row)
    except uom.WrongDimension:
        return None
    on_gauge, scale = in_gauge_uom(value, row, own), in_gauge_uom(Decimal(1), row, own)
    return None if on_gauge is None or not scale else (value, on_gauge, scale)


def _cleared(taken: Taken, row: Characteristic, finding: Finding, checks: Sequence[Item]) -> bool:
    """A block check after the reading, in the window, that passed and covered all of its values."""
    own = finding.found.body.uom
    values = [_measured(reading, taken, row, own) for reading in taken.readings]
    for item in checks:
        body: GaugeChecked = item.body
        if body.result != "pass" or not (taken.at < item.at and finding.holds(item.at)):
            continue
        low, high = (uom.convert(end, body.uom, own) for end in body.covers)
        if all(found is not None and low <= found[1] <= high for found in values):
            return True
    return False


def _still_so(page: Page, item: Item, row: Characteristic, sound: Sound) -> bool:
    """What was measured is still in, and no sound gauge has read it since."""
    for later in page.facts:
        if later.key <= item.key:
            continue
        if row.slot is not None and later.entry.type in CHANGING and later.data["slot"] == row.slot:
            return False
        read_again = later.entry.type == "reading.taken" and later.data["characteristic"] == row.code
        if read_again and sound(later.data.get("gauge"), later.at, page.context.day(later.at)):
            return False
    return True


def _where(facts: Sequence[Item]) -> tuple[UnitIs, str | None]:
    """Where the unit is, and with whom."""
    here: tuple[UnitIs, str | None] = ("in_shop", None)
    for item in facts:
        match item.entry.type:
            case "unit.dispatched":
                here = ("on_hire" if "hire" in item.data else "out", item.data["to"])
            case "unit.sold":
                here = ("sold", item.data["to"])
            case "unit.received":
                here = ("in_shop", None)
            case "unit.retired":
                return "retired", None
    return here
