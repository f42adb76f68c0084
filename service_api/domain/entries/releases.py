"""Prove and let go."""

from typing import Any, Literal

from service_api.domain.entries.registry import entry_type
from service_api.domain.entries.shared import Hire
from service_api.domain.forms import Code, Date, DateOrUnknown, Ident, PersonRef, Q, Short, Text
from service_api.domain.records import record


@entry_type("unit.released", signed=("by", "second"), added=("certificate",))
@record(kw_only=True)
class UnitReleased:
    """Somebody signed that the unit may leave. The service adds the certificate."""

    release: Ident
    kind: Literal["full", "with_concession"]
    job: Ident | None = None
    concessions: tuple[Ident, ...] | None = None
    second: PersonRef | None = None
    hire: Hire | None = None
    seen_index: int | None = None
    certificate: dict[str, Any] | None = None


@record(kw_only=True)
class ConcessionFor:
    finding: Ident | None = None
    characteristic: Code | None = None


@entry_type("concession.granted", signed=("by",))
@record(kw_only=True)
class ConcessionGranted:
    """Signed leave to release with a known departure, with an end by date or by hours."""

    concession: Ident
    for_: ConcessionFor
    why: Text
    until_on: Date | None = None
    until_hours: Q | None = None


@entry_type("concession.ended")
@record(kw_only=True)
class ConcessionEnded:
    """A concession is over."""

    concession: Ident
    why: Text


@entry_type("hold.placed")
@record(kw_only=True)
class HoldPlaced:
    """The unit may not leave until somebody of the role `lift_by`, or who stands for it, lifts the hold."""

    hold: Ident
    why: Text
    lift_by: Literal["bench", "lead", "stores", "stand", "quality", "manager", "signatory", "admin"]


@entry_type("hold.lifted", "unit", "shop", "lot", signed=("by",))
@record(kw_only=True)
class HoldLifted:
    """A hold, or a discrepancy by its key, was settled."""

    hold: Short
    why: Text


@entry_type("exam.recorded", signed=("by",))
@record(kw_only=True)
class ExamRecorded:
    """A competent person examined the unit."""

    exam: Ident
    examiner: Short
    result: Literal["pass", "fail", "pass_with_defects"]
    due_next: DateOrUnknown | None = None
    certificate: Short | None = None
    defects: Text | None = None


@record(kw_only=True)
class RebuildScope:
    slot: Ident
    treatment: Literal["renewed", "reconditioned", "kept"]


@entry_type("rebuild.completed")
@record(kw_only=True)
class RebuildCompleted:
    """A rebuild to a standard, slot by slot."""

    standard: Short
    scope: tuple[RebuildScope, ...]
    job: Ident | None = None


@entry_type("service.planned")
@record(kw_only=True)
class ServicePlanned:
    """The next service is planned for a day, for a count of hours, or for both."""

    due_on: DateOrUnknown | None = None
    due_hours: Q | None = None
    why: Text | None = None
