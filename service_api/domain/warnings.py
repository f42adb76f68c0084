"""What is odd about an entry but does not refuse it: said in the receipt, never held against the fact (CONTRACT C)."""

from collections.abc import Sequence
from decimal import Decimal
from typing import Any

from service_api.calc import uom
from service_api.domain import tags
from service_api.domain.conformity import in_sheet_uom
from service_api.domain.context import SheetRevision
from service_api.domain.entries.jobs import ReadingTaken
from service_api.domain.entry import Envelope
from service_api.domain.forms import Chosen
from service_api.domain.records import record
from service_api.domain.refusals import Fault
from service_api.domain.sheets import Characteristic


@record(kw_only=True)
class Remark:
    """A warning in the receipt: which, where in the entry, and in words."""

    warning: str
    pointer: str
    words: str


def newest_row(sheets: Sequence[SheetRevision], code: str) -> Characteristic | None:
    """The characteristic as the newest revision that knows it has it (CONTRACT A, Uom)."""
    newest = sorted(sheets, key=lambda s: (s.effective_on, s.rev, s.index), reverse=True)
    return next((row for s in newest if (row := s.sheet.characteristic(code))), None)


def uom_fault(body: Any, row: Characteristic | None, pointer: str) -> Fault | None:
    """A reading in a uom that cannot be the characteristic's is malformed."""
    if not isinstance(body, ReadingTaken) or row is None or body.uom == row.uom:
        return None
    try:
        in_sheet_uom(Decimal(1), body.uom, row)
    except uom.WrongDimension:
        return Fault(pointer, "wrong-dimension", f"{row.code} is measured in {row.uom}; {body.uom} is another kind")
    return None


def remarks(entry: Envelope, row: Characteristic | None) -> list[Remark]:
    found = []
    if entry.tag is not None and tags.check(entry.tag) == "invalid":
        found.append(Remark(warning="bad-tag", pointer="/tag", words="the check character of the tag is wrong"))
    if isinstance(entry.body, ReadingTaken) and row is not None:
        found += _reading(entry.body, row)
    return found


def _reading(body: ReadingTaken, row: Characteristic) -> list[Remark]:
    found = []
    asked = row.positions or ()
    for place, reading in enumerate(body.readings):
        if asked and reading.position is not None and reading.position not in asked:
            words = f"the sheet names {', '.join(asked)}"
            found.append(Remark(warning="unknown-position", pointer=f"/data/readings/{place}/position", words=words))
        if isinstance(reading.value, Chosen) and reading.value.word not in {c.word for c in row.choices or ()}:
            words = f"the sheet offers {', '.join(c.word for c in row.choices or ()) or 'no words'}"
            found.append(Remark(warning="unknown-code", pointer=f"/data/readings/{place}/value/word", words=words))
        if row.resolution is None or not isinstance(reading.value, Decimal) or body.uom != row.uom:
            continue
        if not reading.value.same_quantum(row.resolution) and _digits(reading.value) > _digits(row.resolution):
            words = f"more digits than the resolution of {row.resolution:f}"
            found.append(Remark(warning="beyond-resolution", pointer=f"/data/readings/{place}/value", words=words))
    if asked and len(body.readings) > len(asked):
        words = f"the sheet asks for {len(asked)}"
        found.append(Remark(warning="too-many-readings", pointer="/data/readings", words=words))
    if asked and len(body.readings) < len(asked):
        words = f"the sheet asks for {len(asked)}: the outcome is undecided"
        found.append(Remark(warning="too-few-readings", pointer="/data/readings", words=words))
    return found


def _digits(value: Decimal) -> int:
    """Digits after the point."""
    return max(0, -int(value.as_tuple().exponent))
