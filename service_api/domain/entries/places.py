"""Identity and place."""

from decimal import Decimal
from typing import Literal

from service_api.domain.entries.registry import entry_type
from service_api.domain.entries.shared import Hire
from service_api.domain.forms import Digest, Ident, PartyRef, PersonRef, Short, TagText, Text, UnitRef, Uom
from service_api.domain.records import record


@record(kw_only=True)
class Meter:
    """A counter of the unit as it came: `start` is its first reading, `rolls_at` the count at which it goes to zero."""

    meter: Ident
    uom: Uom
    rolls_at: Decimal | None = None
    start: Decimal | None = None


@record(kw_only=True)
class KitItem:
    item: Short
    count: int
    missing: int | None = None


@entry_type("unit.registered")
@record(kw_only=True)
class UnitRegistered:
    """A unit (machine, assembly or gauge) gets its page."""

    class_: Ident
    origin: Literal["new", "used", "history", "unidentified"]
    family: Literal["machine", "assembly", "gauge"] | None = None
    serial: Short | None = None
    owner: PartyRef | None = None
    variant: Short | None = None
    meters: tuple[Meter, ...] | None = None
    plate: Text | None = None
    name: Short | None = None
    earlier: Digest | None = None


@entry_type("unit.merged", signed=("second",))
@record(kw_only=True)
class UnitMerged:
    """This page and the page of `into` are one iron; both numbers stay findable."""

    into: UnitRef
    why: Text
    evidence: tuple[Text, ...]
    second: PersonRef | None = None


@entry_type("tag.attached")
@record(kw_only=True)
class TagAttached:
    """From now on this label points to this unit."""

    tag: TagText
    evidence: tuple[Text, ...]
    place: Short | None = None


@entry_type("tag.scanned")
@record(kw_only=True)
class TagScanned:
    """Somebody scanned a tag; the envelope's `tag` says what was read."""

    place: Short | None = None


@entry_type("tag.detached")
@record(kw_only=True)
class TagDetached:
    """This label no longer points to this unit."""

    tag: TagText
    why: Literal["lost", "damaged", "crossed", "destroyed", "other"]


@entry_type("unit.received")
@record(kw_only=True)
class UnitReceived:
    """The unit came in."""

    site: Short
    reason: Text
    customer: PartyRef | None = None
    consignment: Short | None = None
    kit: tuple[KitItem, ...] | None = None
    seals: Text | None = None
    damage: Text | None = None


@entry_type("unit.dispatched")
@record(kw_only=True)
class UnitDispatched:
    """The unit went out."""

    to: PartyRef
    site: Short | None = None
    first_use: bool | None = None
    hire: Hire | None = None
    kit: tuple[KitItem, ...] | None = None
    release: Ident | None = None


@entry_type("unit.moved")
@record(kw_only=True)
class UnitMoved:
    """The unit stands somewhere else in the house."""

    site: Short
    bench: Short | None = None


@entry_type("unit.sold")
@record(kw_only=True)
class UnitSold:
    """The unit has a new owner."""

    to: PartyRef


@entry_type("unit.retired")
@record(kw_only=True)
class UnitRetired:
    """The unit leaves service for good."""

    why: Text
    authorised_by: PersonRef
    harvest_allowed: tuple[Ident, ...] | None = None
    destroyed: tuple[Text, ...] | None = None
