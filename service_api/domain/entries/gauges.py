"""Gauges."""

from decimal import Decimal
from typing import Literal

from service_api.domain.entries.registry import entry_type
from service_api.domain.entries.shared import ErrorPoint
from service_api.domain.forms import DateOrUnknown, Pair, Short, Text, Uom
from service_api.domain.records import record


@entry_type("gauge.calibrated")
@record(kw_only=True)
class GaugeCalibrated:
    """A gauge was calibrated: its errors as found, and as left."""

    as_found: tuple[ErrorPoint, ...]
    allowed_error: Decimal
    uom: Uom
    certificate: Short | None = None
    as_left: tuple[ErrorPoint, ...] | None = None
    range: Pair | None = None
    uncertainty: Decimal | None = None
    due: DateOrUnknown | None = None


@entry_type("gauge.checked")
@record(kw_only=True)
class GaugeChecked:
    """A check between calibrations, and the part of the range it covers."""

    points: tuple[ErrorPoint, ...]
    result: Literal["pass", "fail"]
    covers: Pair
    uom: Uom


@entry_type("gauge.mishandled")
@record(kw_only=True)
class GaugeMishandled:
    """A gauge was dropped or otherwise ill-treated."""

    words: Text
