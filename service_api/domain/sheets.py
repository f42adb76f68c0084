"""A service sheet: a class's dated limits, slots, checks and stand tests (DESIGN section 5, "A sheet").

Limits are decimals in the characteristic's own uom. A sheet is data that somebody issues; nothing here judges.
"""

from decimal import Decimal
from typing import Literal, Protocol

from service_api.domain.forms import Code, Ident, Pair, Q, Short, Text, Uom
from service_api.domain.records import record


@record(kw_only=True)
class SheetMeter:
    meter: Ident
    uom: Uom
    rolls_at: Decimal | None = None


@record(kw_only=True)
class Choice:
    word: Short
    outcome: Literal["good", "watch", "adjust", "replace"]


@record(kw_only=True)
class Characteristic:
    """A measurable thing with its direction of wear, its limits and the rule by which it is judged."""

    code: Code
    title: Short
    uom: Uom
    resolution: Decimal | None = None
    kind: Literal["limit", "window", "choice"]
    worse: Literal["higher", "lower"] | None = None
    form: Literal["max", "min", "mean", "range"] | None = None
    positions: tuple[Short, ...] | None = None
    slot: Ident | None = None
    new: Pair | None = None
    adjust: Decimal | None = None
    watch: Decimal | None = None
    replace: Decimal | None = None
    low: Decimal | None = None
    high: Decimal | None = None
    choices: tuple[Choice, ...] | None = None
    uncertainty: Decimal | None = None
    rule: Literal["simple", "guarded"] | None = None
    against_baseline: bool | None = None
    readings_of: Code | None = None
    uncertainty_percent: Decimal | None = None
    lead: Q | None = None
    variants: tuple[Short, ...] | None = None
    method: Text | None = None
    needs_gauge: bool | None = None


@record(kw_only=True)
class Slot:
    """A place in a unit that holds one part or one counted set."""

    slot: Ident
    title: Short
    pieces: int
    traced: Literal["each", "lot", "count"]
    wear_part: bool | None = None
    load_holding: bool | None = None
    never_harvest: bool | None = None
    assembly_class: Ident | None = None
    supply_days: int | None = None


@record(kw_only=True)
class Check:
    check: Ident
    title: Short
    blocking: bool
    second: bool | None = None
    characteristic: Code | None = None
    variants: tuple[Short, ...] | None = None


@record(kw_only=True)
class ConditionWindow:
    low: Decimal | None = None
    high: Decimal | None = None
    uom: Uom


@record(kw_only=True)
class StandTest:
    test: Ident
    title: Short
    blocking: bool
    uom: Uom | None = None
    low: Decimal | None = None
    high: Decimal | None = None
    form: Literal["max", "min", "mean", "range"] | None = None
    count: int | None = None
    conditions: dict[str, ConditionWindow] | None = None
    variants: tuple[Short, ...] | None = None


@record(kw_only=True)
class ComplaintCause:
    check: Text
    slot: Ident | None = None
    mechanism: Code | None = None
    activity: Code | None = None
    share: Decimal | None = None
    minutes: int | None = None


@record(kw_only=True)
class ComplaintMode:
    mode: Code
    causes: tuple[ComplaintCause, ...]


@record(kw_only=True)
class CautionWhen:
    activities: tuple[Code, ...] | None = None
    slots: tuple[Ident, ...] | None = None
    purposes: tuple[Ident, ...] | None = None
    variants: tuple[Short, ...] | None = None
    energies: tuple[Short, ...] | None = None


@record(kw_only=True)
class Caution:
    caution: Ident
    words: Text
    when: CautionWhen
    rests_on: Text


@record(kw_only=True)
class ServiceInterval:
    months: int | None = None
    hours: int | None = None


@record(kw_only=True)
class ExamInterval:
    exam: Ident
    months: int


@record(kw_only=True)
class ReleaseRule:
    second_person: bool | None = None
    final_run: bool | None = None


class ForVariants(Protocol):
    @property
    def variants(self) -> tuple[Short, ...] | None: ...


def applies(row: ForVariants, variant: str | None) -> bool:
    """Whether a row, a check, a test or a caution holds for this variant; without variants it holds for all."""
    return not row.variants or variant in row.variants


@record(kw_only=True)
class Sheet:
    """One revision of a class's service sheet."""

    title: Short
    family: Literal["machine", "assembly", "gauge"]
    characteristics: tuple[Characteristic, ...] = ()
    slots: tuple[Slot, ...] = ()
    checks: tuple[Check, ...] = ()
    tests: tuple[StandTest, ...] = ()
    meters: tuple[SheetMeter, ...] | None = None
    complaints: tuple[ComplaintMode, ...] | None = None
    cautions: tuple[Caution, ...] | None = None
    service: ServiceInterval | None = None
    exams: tuple[ExamInterval, ...] | None = None
    release: ReleaseRule | None = None

    def characteristic(self, code: str) -> Characteristic | None:
        return next((c for c in self.characteristics if c.code == code), None)

    def checks_for(self, variant: str | None) -> list[Check]:
        return [check for check in self.checks if applies(check, variant)]

    def slot(self, slot: str) -> Slot | None:
        return next((s for s in self.slots if s.slot == slot), None)
