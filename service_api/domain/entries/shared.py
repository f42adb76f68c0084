"""What the types of several subjects share."""

from decimal import Decimal
from typing import Literal

from service_api.domain.forms import Date, DateOrUnknown, Digest, LotRef, Moment, Q, Short, UnitRef
from service_api.domain.records import record


@record(kw_only=True)
class Attachment:
    """A photo or paper, named by the SHA-256 of its bytes; the bytes may follow."""

    sha256: Digest
    media_type: Short
    bytes: int
    name: Short
    taken_at: Moment | None = None


@record(kw_only=True)
class Hire:
    from_: Date
    until: Date


@record(kw_only=True)
class Piece:
    """One piece, or `qty` like pieces of one lot, that go into a slot together."""

    part_no: Short
    qty: int
    serial: Short | None = None
    lot: LotRef | None = None
    condition: Literal["new", "used", "repaired"] | None = None
    hours: Q | None = None
    unit: UnitRef | None = None
    revision: Short | None = None
    receipt: Short | None = None
    use_by: DateOrUnknown | None = None


@record(kw_only=True)
class ErrorPoint:
    """The error of a gauge (reading minus true value) at one point of its range."""

    at: Decimal
    error: Decimal
