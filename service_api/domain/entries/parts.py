"""Parts and lots."""

from service_api.domain.entries.registry import entry_type
from service_api.domain.entries.shared import Piece
from service_api.domain.forms import DateOrUnknown, Ident, PartyRef, PersonRef, Place, Q, Short, Text
from service_api.domain.records import record


@entry_type("part.fitted")
@record(kw_only=True)
class PartFitted:
    """Pieces went into a slot and hold it until they are removed."""

    slot: Ident
    pieces: tuple[Piece, ...]
    from_: Place | None = None
    finding: Ident | None = None
    torque: Q | None = None
    approved_by: PersonRef | None = None


@entry_type("part.removed")
@record(kw_only=True)
class PartRemoved:
    """What was in a slot came out and went somewhere named."""

    slot: Ident
    to: Place
    pieces: tuple[Piece, ...] | None = None
    why: Text | None = None
    finding: Ident | None = None
    condition: Short | None = None


@entry_type("lot.received", "lot")
@record(kw_only=True)
class LotReceived:
    """A supplier's batch came into stock."""

    part_no: Short
    qty: int
    supplier: PartyRef
    supplier_dispatched_on: DateOrUnknown | None = None
    delivery: Short | None = None


@entry_type("lot.moved", "lot")
@record(kw_only=True)
class LotMoved:
    """Loose pieces of a lot went from one place to another."""

    part_no: Short
    qty: int
    from_: Place
    to: Place


@entry_type("part.sold", "lot")
@record(kw_only=True)
class PartSold:
    """A part was sold loose."""

    part_no: Short
    qty: int
    to: PartyRef
    dispatched_on: DateOrUnknown
    serial: Short | None = None
