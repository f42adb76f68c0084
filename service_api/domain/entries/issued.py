"""What the shop issues: authorisations of people, sheets, codes, terms, alerts."""

from typing import Any, Literal

from service_api.domain.entries.registry import entry_type
from service_api.domain.forms import Code, Date, EntryId, Ident, LotRef, Short, Text, UnitRef
from service_api.domain.records import record
from service_api.domain.sheets import Sheet


@entry_type("authorisation.granted", "person")
@record(kw_only=True)
class AuthorisationGranted:
    """A person may do these tasks on these classes from a day on."""

    classes: tuple[Short, ...]  # class ids, or `*` for all
    tasks: tuple[Ident, ...]
    from_on: Date
    until_on: Date | None = None
    level: Short | None = None


@entry_type("authorisation.ended", "person")
@record(kw_only=True)
class AuthorisationEnded:
    """These tasks ended; `on` is the first day without."""

    tasks: tuple[Ident, ...]
    on: Date
    why: Text


@entry_type("sheet.issued", "class")
@record(kw_only=True)
class SheetIssued:
    """A revision of a class's service sheet, in force from a day on."""

    rev: int
    effective_on: Date
    sheet: Sheet
    why: Text | None = None


@record(kw_only=True)
class CodeWords:
    code: Code
    words: Text


@record(kw_only=True)
class CodeLists:
    mode: tuple[CodeWords, ...] | None = None
    mechanism: tuple[CodeWords, ...] | None = None
    cause: tuple[CodeWords, ...] | None = None
    detection: tuple[CodeWords, ...] | None = None
    activity: tuple[CodeWords, ...] | None = None
    effect: tuple[CodeWords, ...] | None = None


@entry_type("codes.issued", "shop")
@record(kw_only=True)
class CodesIssued:
    """A revision of the shop's code lists; old entries keep their code and its meaning on that day."""

    rev: int
    effective_on: Date
    lists: CodeLists


@entry_type("terms.issued", "shop")
@record(kw_only=True)
class TermsIssued:
    """A revision of warranty terms: its promises, limits and exclusions by clause."""

    terms: Ident
    rev: int
    effective_on: Date
    zone: Short
    promises: tuple[dict[str, Any], ...]
    limits: dict[str, int] | None = None
    exclusions: tuple[dict[str, Any], ...] | None = None


@record(kw_only=True)
class AlertScope:
    part_no: Short | None = None
    lots: tuple[LotRef, ...] | None = None
    serials: tuple[Short, ...] | None = None
    classes: tuple[Ident, ...] | None = None
    units: tuple[UnitRef, ...] | None = None


@entry_type("alert.issued", "alert")
@record(kw_only=True)
class AlertIssued:
    """A safety alert or lot recall."""

    source: Short
    action: Literal["stop_use", "inspect", "replace"]
    scope: AlertScope
    words: Text


@entry_type("alert.answered", "alert")
@record(kw_only=True)
class AlertAnswered:
    """What was done about an alert on one unit."""

    unit: UnitRef
    response: Text
    by_entry: EntryId | None = None


@entry_type("alert.closed", "alert")
@record(kw_only=True)
class AlertClosed:
    """An alert is over."""

    why: Text
