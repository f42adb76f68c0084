"""Money: claims, goodwill, suppliers."""

from typing import Any, Literal

from service_api.domain.entries.registry import entry_type
from service_api.domain.forms import DateOrUnknown, Ident, PartyRef, PersonRef, Short, Text
from service_api.domain.records import record


@entry_type("claim.opened", "unit", "lot")
@record(kw_only=True)
class ClaimOpened:
    """A customer claims under warranty."""

    claim: Ident
    complaint: Ident | None = None
    slot: Ident | None = None
    work: Ident | None = None
    reported_on: DateOrUnknown | None = None
    arrived_on: DateOrUnknown | None = None
    part_no: Short | None = None
    serial: Short | None = None


@entry_type("claim.decided", "unit", "lot", signed=("by",), computed=True)
@record(kw_only=True)
class ClaimDecided:
    """The stored verdict on a claim, as issued."""

    claim: Ident
    verdict: Literal["covered", "covered_in_part", "not_covered", "undetermined"]
    answer: dict[str, Any]


@entry_type("goodwill.granted", "unit", "lot")
@record(kw_only=True)
class GoodwillGranted:
    """A decision outside the terms; it never makes a claim covered."""

    claim: Ident
    words: Text
    signatory: PersonRef


@entry_type("supplier.notified", "unit", "lot")
@record(kw_only=True)
class SupplierNotified:
    """The supplier was told of a claim."""

    claim: Ident
    supplier: PartyRef
    finding_on: DateOrUnknown
    notice_on: DateOrUnknown


@entry_type("supplier.returned", "unit", "lot")
@record(kw_only=True)
class SupplierReturned:
    """The part went back to the supplier."""

    claim: Ident
    on: DateOrUnknown


@entry_type("supplier.settled", "unit", "lot")
@record(kw_only=True)
class SupplierSettled:
    """What came of the claim on the supplier."""

    claim: Ident
    outcome: Text
    credit: Short | None = None
