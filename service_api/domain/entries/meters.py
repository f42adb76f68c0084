"""Meters."""

from typing import Literal

from service_api.domain.entries.registry import entry_type
from service_api.domain.forms import Ident, Q
from service_api.domain.records import record


@entry_type("meter.read")
@record(kw_only=True)
class MeterRead:
    """A counter was read, or its count estimated."""

    meter: Ident
    value: Q
    how: Literal["read", "estimated"]
    range: tuple[Q, Q] | None = None


@entry_type("meter.replaced")
@record(kw_only=True)
class MeterReplaced:
    """A counter was exchanged; the chain goes on from the new one."""

    meter: Ident
    old_final: Q
    new_start: Q
    old_range: tuple[Q, Q] | None = None


@entry_type("meter.rolled")
@record(kw_only=True)
class MeterRolled:
    """A counter went through zero; `at` is the count at which it did."""

    meter: Ident
    at: Q
