"""Parts and lots."""

from dataclasses import dataclass

from service_api.domain.entries.registry import entry_type
from service_api.domain.entries.shared import Piece
from service_api.domain.forms import DateOrUnknown, Ident, PartyRef, PersonRef, Place, Q, Short, Text


@entry_type("part.fitted")
@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class PartFitted:
    """Pieces went into a slot and hold it until they are removed."""

    slot: Ident
    pieces: tuple[Piece, ...]
    from_: Place | None = None
    finding: Ident | None = None
    torque: Q | None = None
    approved_by: PersonRef | None = None


@entry_type("part.removed")
@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class PartRemoved:
    """What was in a slot came out and went somewhere named."""

    slot: Ident
    to: Place
    pieces: tuple[Piece, ...] | None = None
    why: Text | None = None
    finding: Ident | None = None
    condition: Short | None = None


@entry_type("lot.received", "lot")
@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class LotReceived:
    """A supplier's batch came into stock."""

    part_no: Short
    qty: int
    supplier: PartyRef
    supplier_dispatched_on: DateOrUnknown | None = None
    delivery: Short | None = None


@entry_type("lot.moved", "lot")
@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class LotMoved:
    """Loose pieces of a lot went from one place to another."""

    part_no: Short
    qty: int
    from_: Place
    to: Place


@entry_type("part.sold", "lot")
@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class PartSold:
    """A part was sold loose."""

    part_no: Short
    qty: int
    to: PartyRef
    dispatched_on: DateOrUnknown
    serial: Short | None = None
