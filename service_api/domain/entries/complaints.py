"""Complaints and field calls."""

from typing import Literal

from service_api.domain.entries.registry import entry_type
from service_api.domain.forms import Code, EntryId, Ident, PartyRef, Q, Short, Text
from service_api.domain.records import record


@entry_type("complaint.reported")
@record(kw_only=True)
class ComplaintReported:
    """A customer says that something is wrong, in the customer's own words."""

    complaint: Ident
    words: Text
    mode: Code
    effect: Code | None = None
    customer: PartyRef | None = None
    hours: Q | None = None
    moved_since: Literal["yes", "no", "unknown"] | None = None
    stop_use: bool | None = None
    slot: Ident | None = None
    conditions: dict[str, Q | Text] | None = None


@record(kw_only=True)
class Step:
    check: Short
    result: Text
    cured: bool | None = None


@entry_type("complaint.worked")
@record(kw_only=True)
class ComplaintWorked:
    """What was tried on a complaint, in order, and which step cured it."""

    complaint: Ident
    steps: tuple[Step, ...]


@entry_type("complaint.closed")
@record(kw_only=True)
class ComplaintClosed:
    """A complaint is at its end."""

    complaint: Ident
    outcome: Literal["cured", "no_fault_found", "withdrawn"]
    cured_by: tuple[EntryId, ...] | None = None
