"""Entries as a book would hold them, without a book: what pure tests of the domain start from."""

from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from typing import Any

from service_api.domain.alerts import Alert
from service_api.domain.context import Context, SheetRevision
from service_api.domain.entries.gauges import GaugeCalibrated
from service_api.domain.entry import Recorded
from service_api.domain.fold import step
from service_api.domain.gauges import Calibration, GaugeRecord
from service_api.domain.matters import told
from service_api.domain.plain import make
from service_api.domain.sheets import Characteristic, Sheet
from service_api.domain.state import UnitState, begin
from service_api.domain.timeline import Item, effective_history, facts, fold
from tests import factories as f

ZONE = "+01:00"


def at(text: str) -> datetime:
    """A moment of 2026 in the zone of the tests: `at("01-05 09:00")`, in UTC."""
    return datetime.fromisoformat(f"2026-{text}:00{ZONE}").astimezone(UTC)


def on(text: str) -> str:
    """The same, as a client writes it."""
    return f"2026-{text[:5]}T{text[6:]}:00{ZONE}"


def heard(*raws: dict[str, Any]) -> list[Recorded]:
    """The entries in the order of the book. Each was heard of when it happened, unless it says `recorded_at`."""
    found = []
    for index, raw in enumerate(raws):
        entry = {"index": index, "seq": index, "recorded_by": "t-1", "recorded_at": _true_time(raw)} | raw
        found.append(make(Recorded, entry))
    return found


def _true_time(raw: dict[str, Any]) -> str:
    offset = raw.get("device", {}).get("clock_offset_ms", 0)
    true = datetime.fromisoformat(raw["occurred_at"]).astimezone(UTC) - timedelta(milliseconds=offset)
    return true.isoformat().replace("+00:00", "Z")


def lines(*raws: dict[str, Any], subject: str = "unit:U-1") -> list[Item]:
    """The effective history of the subject."""
    return effective_history(heard(*raws), subject)


def true(*raws: dict[str, Any], subject: str = "unit:U-1") -> list[Item]:
    """The lines that count."""
    return facts(lines(*raws, subject=subject))


def state_of(*raws: dict[str, Any], unit: str = "U-1") -> UnitState:
    """What the entries leave on the unit's page."""
    found: UnitState = fold(step, begin(unit), true(*raws, subject=f"unit:{unit}"))
    return found


def raised(state: UnitState) -> list[str]:
    """The codes that stand on the page."""
    return [r.code for r in told([*state.raised.values(), *state.remarks])]


def row(**members: Any) -> Characteristic:
    """A characteristic from plain data."""
    found: Characteristic = make(Characteristic, {"code": "X", "title": "x", "uom": "mm", "kind": "limit"} | members)
    return found


def revision(rev: int = 1, effective_on: str = "2025-01-01", **changes: Any) -> SheetRevision:
    sheet = make(Sheet, f.sheet(**changes))
    return SheetRevision(f.CLASS, rev, date.fromisoformat(effective_on), sheet, f"sheet-{rev}", 0)


def context(*sheets: SheetRevision, today: str = "2026-01-05", **more: Any) -> Context:
    return Context(zone=ZONE, on=date.fromisoformat(today), sheets=sheets or (revision(),), **more)


def calibration(moment: str, due: str | None = "2027-01-01", error: str = "0.000", **more: Any) -> Calibration:
    """A calibration of a gauge in mm that is allowed an error of 0.010."""
    data = {"as_found": [{"at": "5", "error": error}], "allowed_error": "0.010", "uom": "mm"} | more
    if due is not None:
        data["due"] = due
    return Calibration(f"cal {moment}", 0, at(moment), make(GaugeCalibrated, data))


def gauge(*calibrations: Calibration, name: str = f.GAUGE) -> GaugeRecord:
    return GaugeRecord(name, calibrations, 0)


def alert(action: str = "stop_use", moment: str = "01-05 09:00", **scope: Any) -> Alert:
    from service_api.domain.entries.issued import AlertScope

    return Alert("A-1", "alert-entry", 0, at(moment), action, make(AlertScope, scope), "may part")  # type: ignore[arg-type]


def d(*texts: str) -> Sequence[Decimal]:
    return [Decimal(t) for t in texts]
