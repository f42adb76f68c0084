"""The entry types, version 1: one frozen dataclass each.

A new type is written here and nowhere else: its marshmallow schema, its OpenAPI component, its stored form and
the subjects it names are derived from the hints. The name that `entry_type` gives is what the log stores; it
outlives every class name. A trailing underscore keeps a member's name clear of Python's words (`from_` is `from`).
The classes do without a repr, and the types without equality: a start makes a hundred and fifty classes, and those
two are two fifths of what each costs. An entry is the same when its text is.
"""

from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal
from typing import Any, Literal, TypeVar

from service_api.domain.forms import (
    Chosen,
    Code,
    Date,
    DateOrUnknown,
    Digest,
    EntryId,
    Ident,
    LotRef,
    Moment,
    Pair,
    PartyRef,
    PersonRef,
    Place,
    Q,
    Short,
    Subject,
    TagText,
    Text,
    UnitRef,
    Unknown,
    Uom,
)
from service_api.domain.sheets import Sheet

T = TypeVar("T", bound=type)


@dataclass(frozen=True)
class EntryType:
    """What the book knows of a type beside its members.

    subjects : kinds of subject it may stand on
    signed : who signs it ("by", "second"), empty when nobody does (CONTRACT A, Signatures)
    computed : only the service writes it
    """

    name: str
    version: int
    body: type
    subjects: tuple[str, ...]
    signed: tuple[str, ...]
    computed: bool
    corrects: bool


TYPES: dict[str, EntryType] = {}
TYPE_OF: dict[type, EntryType] = {}


def entry_type(
    name: str,
    *subjects: str,
    signed: tuple[str, ...] = (),
    computed: bool = False,
    corrects: bool = False,
) -> Callable[[T], T]:
    """Register a dataclass as version 1 of the entry type `name`. Without subjects it stands on a unit."""

    def register(cls: T) -> T:
        known = EntryType(name, 1, cls, subjects or ("unit",), signed, computed, corrects)
        TYPES[name] = TYPE_OF[cls] = known
        return cls

    return register


# What several types share


@dataclass(frozen=True, kw_only=True, repr=False)
class Attachment:
    """A photo or paper, named by the SHA-256 of its bytes; the bytes may follow."""

    sha256: Digest
    media_type: Short
    bytes: int
    name: Short
    taken_at: Moment | None = None


@dataclass(frozen=True, kw_only=True, repr=False)
class Meter:
    """A counter of the unit as it came: `start` is its first reading, `rolls_at` the count at which it goes to zero."""

    meter: Ident
    uom: Uom
    rolls_at: Decimal | None = None
    start: Decimal | None = None


@dataclass(frozen=True, kw_only=True, repr=False)
class KitItem:
    item: Short
    count: int
    missing: int | None = None


@dataclass(frozen=True, kw_only=True, repr=False)
class Hire:
    from_: Date
    until: Date


@dataclass(frozen=True, kw_only=True, repr=False)
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


@dataclass(frozen=True, kw_only=True, repr=False)
class Reading:
    value: Decimal | Chosen | Unknown
    position: Short | None = None


@dataclass(frozen=True, kw_only=True, repr=False)
class ErrorPoint:
    """The error of a gauge (reading minus true value) at one point of its range."""

    at: Decimal
    error: Decimal


# Identity and place


@entry_type("unit.registered")
@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
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
@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class UnitMerged:
    """This page and the page of `into` are one iron; both numbers stay findable."""

    into: UnitRef
    why: Text
    evidence: tuple[Text, ...]
    second: PersonRef | None = None


@entry_type("tag.attached")
@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class TagAttached:
    """From now on this label points to this unit."""

    tag: TagText
    evidence: tuple[Text, ...]
    place: Short | None = None


@entry_type("tag.scanned")
@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class TagScanned:
    """Somebody scanned a tag; the envelope's `tag` says what was read."""

    place: Short | None = None


@entry_type("tag.detached")
@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class TagDetached:
    """This label no longer points to this unit."""

    tag: TagText
    why: Literal["lost", "damaged", "crossed", "destroyed", "other"]


@entry_type("unit.received")
@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
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
@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class UnitDispatched:
    """The unit went out."""

    to: PartyRef
    site: Short | None = None
    first_use: bool | None = None
    hire: Hire | None = None
    kit: tuple[KitItem, ...] | None = None
    release: Ident | None = None


@entry_type("unit.moved")
@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class UnitMoved:
    """The unit stands somewhere else in the house."""

    site: Short
    bench: Short | None = None


@entry_type("unit.sold")
@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class UnitSold:
    """The unit has a new owner."""

    to: PartyRef


@entry_type("unit.retired")
@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class UnitRetired:
    """The unit leaves service for good."""

    why: Text
    authorised_by: PersonRef
    harvest_allowed: tuple[Ident, ...] | None = None
    destroyed: tuple[Text, ...] | None = None


# Meters


@entry_type("meter.read")
@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class MeterRead:
    """A counter was read, or its count estimated."""

    meter: Ident
    value: Q
    how: Literal["read", "estimated"]
    range: tuple[Q, Q] | None = None


@entry_type("meter.replaced")
@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class MeterReplaced:
    """A counter was exchanged; the chain goes on from the new one."""

    meter: Ident
    old_final: Q
    new_start: Q
    old_range: tuple[Q, Q] | None = None


@entry_type("meter.rolled")
@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class MeterRolled:
    """A counter went through zero; `at` is the count at which it did."""

    meter: Ident
    at: Q


# Complaints and field calls


@entry_type("complaint.reported")
@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
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


@dataclass(frozen=True, kw_only=True, repr=False)
class Step:
    check: Short
    result: Text
    cured: bool | None = None


@entry_type("complaint.worked")
@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class ComplaintWorked:
    """What was tried on a complaint, in order, and which step cured it."""

    complaint: Ident
    steps: tuple[Step, ...]


@entry_type("complaint.closed")
@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class ComplaintClosed:
    """A complaint is at its end."""

    complaint: Ident
    outcome: Literal["cured", "no_fault_found", "withdrawn"]
    cured_by: tuple[EntryId, ...] | None = None


# The job


@dataclass(frozen=True, kw_only=True, repr=False)
class Approval:
    by: Short
    limit: Short


@entry_type("job.opened")
@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class JobOpened:
    """Work on a unit begins under one job number."""

    job: Ident
    purpose: Literal["service", "repair", "complaint", "claim", "rebuild", "exam", "alert", "other"]
    complaint: Ident | None = None
    claim: Ident | None = None
    approval: Approval | None = None


@entry_type("job.closed")
@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class JobClosed:
    """The job is done."""

    job: Ident


@dataclass(frozen=True, kw_only=True, repr=False)
class Proof:
    method: Text
    reading: Q | None = None


@entry_type("energy.isolated")
@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class EnergyIsolated:
    """One energy source was shut off, locked, let out and proved dead."""

    source: Short
    device: Short
    proof: Proof
    lock: Short | None = None
    released_how: Text | None = None


@entry_type("energy.restored")
@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class EnergyRestored:
    """One energy source is on again, its lock taken off by its owner."""

    source: Short
    lock: Short | None = None


@entry_type("caution.shown")
@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class CautionShown:
    """A caution was shown and acknowledged; no proof that it was followed."""

    caution: Ident
    revision: int


@entry_type("check.answered", signed=("second",))
@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class CheckAnswered:
    """One line of the sheet's checks was answered; a blank is no answer."""

    check: Ident
    answer: Literal["ok", "defect", "not_done", "not_reachable", "not_applicable"]
    why: Text | None = None
    finding: Ident | None = None
    sheet_rev: int | None = None
    second: PersonRef | None = None


@entry_type("reading.taken", signed=("second",))
@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class ReadingTaken:
    """A characteristic was measured: every reading, where, with which gauge, as found or as left."""

    characteristic: Code
    stage: Literal["as_found", "as_left", "stand", "in_service"]
    uom: Uom
    readings: tuple[Reading, ...]
    gauge: UnitRef | None = None
    uncertainty: Q | None = None
    hours: Q | None = None
    conditions: dict[str, Q | Text] | None = None
    method: Short | None = None
    sheet_rev: int | None = None
    second: PersonRef | None = None


@entry_type("finding.raised", signed=("second",))
@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class FindingRaised:
    """Something was seen or measured that needs a decision."""

    finding: Ident
    words: Text
    blocking: bool
    slot: Ident | None = None
    place: Short | None = None
    mode: Code | None = None
    mechanism: Code | None = None
    cause: Code | None = None
    confidence: Literal["seen", "likely", "guessed", "not_known"] | None = None
    detection: Code | None = None
    evidence_stage: Literal["before_cleaning", "after_cleaning"] | None = None
    led_to: tuple[Ident, ...] | None = None
    second: PersonRef | None = None


@entry_type("finding.closed")
@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class FindingClosed:
    """A finding was decided."""

    finding: Ident
    how: Literal["cured", "accepted", "not_a_fault"]
    why: Text | None = None
    by_entries: tuple[EntryId, ...] | None = None


@entry_type("work.done")
@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class WorkDone:
    """Work without a part: dressed, adjusted, re-centred, cleaned, or nothing needed."""

    activity: Code
    slot: Ident | None = None
    place: Short | None = None
    finding: Ident | None = None
    detail: Text | None = None
    minutes: int | None = None
    amounts: dict[str, Q] | None = None


@entry_type("setting.left", signed=("second",))
@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class SettingLeft:
    """A setting as it was left, and its seal."""

    setting: Ident
    value: Q
    seal: Short | None = None
    second: PersonRef | None = None


@dataclass(frozen=True, kw_only=True, repr=False)
class TestResult:
    test: Ident
    value: Q | None = None
    values: tuple[Q, ...] | None = None
    answer: Short | None = None
    gauge: UnitRef | None = None
    at_s: int | None = None


@entry_type("run.recorded")
@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class RunRecorded:
    """One run on the stand with its conditions and every result; a failed run stays."""

    run: Ident
    stage: Literal["as_found", "interim", "final"]
    sheet_rev: int
    conditions: dict[str, Q | Text]
    results: tuple[TestResult, ...]
    stand: Short | None = None
    minutes: int | None = None
    sounds: Text | None = None
    trace: Attachment | None = None


# Parts


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


# Prove and let go


@entry_type("unit.released", signed=("by", "second"))
@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class UnitReleased:
    """Somebody signed that the unit may leave. The service adds the certificate."""

    release: Ident
    kind: Literal["full", "with_concession"]
    job: Ident | None = None
    concessions: tuple[Ident, ...] | None = None
    second: PersonRef | None = None
    hire: Hire | None = None
    seen_index: int | None = None


@dataclass(frozen=True, kw_only=True, repr=False)
class ConcessionFor:
    finding: Ident | None = None
    characteristic: Code | None = None


@entry_type("concession.granted", signed=("by",))
@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class ConcessionGranted:
    """Signed leave to release with a known departure, with an end by date or by hours."""

    concession: Ident
    for_: ConcessionFor
    why: Text
    until_on: Date | None = None
    until_hours: Q | None = None


@entry_type("concession.ended")
@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class ConcessionEnded:
    """A concession is over."""

    concession: Ident
    why: Text


@entry_type("hold.placed")
@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class HoldPlaced:
    """The unit may not leave until somebody of the role `lift_by` lifts the hold."""

    hold: Ident
    why: Text
    lift_by: Literal["bench", "lead", "stores", "stand", "quality", "manager", "signatory", "admin"]


@entry_type("hold.lifted", "unit", "shop", signed=("by",))
@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class HoldLifted:
    """A hold, or a discrepancy by its key, was settled."""

    hold: Short
    why: Text


@entry_type("exam.recorded", signed=("by",))
@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class ExamRecorded:
    """A competent person examined the unit."""

    exam: Ident
    examiner: Short
    result: Literal["pass", "fail", "pass_with_defects"]
    due_next: DateOrUnknown | None = None
    certificate: Short | None = None
    defects: Text | None = None


@dataclass(frozen=True, kw_only=True, repr=False)
class RebuildScope:
    slot: Ident
    treatment: Literal["renewed", "reconditioned", "kept"]


@entry_type("rebuild.completed")
@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class RebuildCompleted:
    """A rebuild to a standard, slot by slot."""

    standard: Short
    scope: tuple[RebuildScope, ...]
    job: Ident | None = None


@entry_type("service.planned")
@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class ServicePlanned:
    """The next service is planned for a day, for a count of hours, or for both."""

    due_on: DateOrUnknown | None = None
    due_hours: Q | None = None
    why: Text | None = None


# Gauges


@entry_type("gauge.calibrated")
@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class GaugeCalibrated:
    """A gauge was calibrated: its errors as found, and as left."""

    as_found: tuple[ErrorPoint, ...]
    allowed_error: Decimal
    uom: Uom
    certificate: Short | None = None
    as_left: tuple[ErrorPoint, ...] | None = None
    range: Pair | None = None
    uncertainty: Decimal | None = None
    due: DateOrUnknown | None = None


@entry_type("gauge.checked")
@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class GaugeChecked:
    """A check between calibrations, and the part of the range it covers."""

    points: tuple[ErrorPoint, ...]
    result: Literal["pass", "fail"]
    covers: Pair
    uom: Uom


@entry_type("gauge.mishandled")
@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class GaugeMishandled:
    """A gauge was dropped or otherwise ill-treated."""

    words: Text


# People, sheets, alerts


@entry_type("authorisation.granted", "person")
@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class AuthorisationGranted:
    """A person may do these tasks on these classes from a day on."""

    classes: tuple[Short, ...]  # class ids, or `*` for all
    tasks: tuple[Ident, ...]
    from_on: Date
    until_on: Date | None = None
    level: Short | None = None


@entry_type("authorisation.ended", "person")
@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class AuthorisationEnded:
    """These tasks ended; `on` is the first day without."""

    tasks: tuple[Ident, ...]
    on: Date
    why: Text


@entry_type("sheet.issued", "class")
@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class SheetIssued:
    """A revision of a class's service sheet, in force from a day on."""

    rev: int
    effective_on: Date
    sheet: Sheet
    why: Text | None = None


@dataclass(frozen=True, kw_only=True, repr=False)
class CodeWords:
    code: Code
    words: Text


@dataclass(frozen=True, kw_only=True, repr=False)
class CodeLists:
    mode: tuple[CodeWords, ...] | None = None
    mechanism: tuple[CodeWords, ...] | None = None
    cause: tuple[CodeWords, ...] | None = None
    detection: tuple[CodeWords, ...] | None = None
    activity: tuple[CodeWords, ...] | None = None
    effect: tuple[CodeWords, ...] | None = None


@entry_type("codes.issued", "shop")
@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class CodesIssued:
    """A revision of the shop's code lists; old entries keep their code and its meaning on that day."""

    rev: int
    effective_on: Date
    lists: CodeLists


@entry_type("terms.issued", "shop")
@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class TermsIssued:
    """A revision of warranty terms: its promises, limits and exclusions by clause."""

    terms: Ident
    rev: int
    effective_on: Date
    zone: Short
    promises: tuple[dict[str, Any], ...]
    limits: dict[str, int] | None = None
    exclusions: tuple[dict[str, Any], ...] | None = None


@dataclass(frozen=True, kw_only=True, repr=False)
class AlertScope:
    part_no: Short | None = None
    lots: tuple[LotRef, ...] | None = None
    serials: tuple[Short, ...] | None = None
    classes: tuple[Ident, ...] | None = None
    units: tuple[UnitRef, ...] | None = None


@entry_type("alert.issued", "alert")
@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class AlertIssued:
    """A safety alert or lot recall."""

    source: Short
    action: Literal["stop_use", "inspect", "replace"]
    scope: AlertScope
    words: Text


@entry_type("alert.answered", "alert")
@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class AlertAnswered:
    """What was done about an alert on one unit."""

    unit: UnitRef
    response: Text
    by_entry: EntryId | None = None


@entry_type("alert.closed", "alert")
@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class AlertClosed:
    """An alert is over."""

    why: Text


# Money


@entry_type("claim.opened", "unit", "lot")
@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
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
@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class ClaimDecided:
    """The stored verdict on a claim, as issued."""

    claim: Ident
    verdict: Literal["covered", "covered_in_part", "not_covered", "undetermined"]
    answer: dict[str, Any]


@entry_type("goodwill.granted", "unit", "lot")
@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class GoodwillGranted:
    """A decision outside the terms; it never makes a claim covered."""

    claim: Ident
    words: Text
    signatory: PersonRef


@entry_type("supplier.notified", "unit", "lot")
@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class SupplierNotified:
    """The supplier was told of a claim."""

    claim: Ident
    supplier: PartyRef
    finding_on: DateOrUnknown
    notice_on: DateOrUnknown


@entry_type("supplier.returned", "unit", "lot")
@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class SupplierReturned:
    """The part went back to the supplier."""

    claim: Ident
    on: DateOrUnknown


@entry_type("supplier.settled", "unit", "lot")
@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class SupplierSettled:
    """What came of the claim on the supplier."""

    claim: Ident
    outcome: Text
    credit: Short | None = None


# Corrections: they stand on the subject of their target

ANY = ("unit", "lot", "person", "class", "alert", "shop")


@entry_type("entry.superseded", *ANY, corrects=True)
@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class EntrySuperseded:
    """The whole new data of an earlier entry counts instead; the old stays visible."""

    target: EntryId
    data: dict[str, Any]
    why: Text
    occurred_at: Moment | None = None


@entry_type("entry.withdrawn", *ANY, corrects=True)
@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class EntryWithdrawn:
    """An entry stops counting; it stays readable."""

    target: EntryId
    why: Text


@entry_type("entry.reattributed", *ANY, signed=("by", "second"), corrects=True)
@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class EntryReattributed:
    """A right fact on the wrong subject: struck in the one history, present in the other, and both say so."""

    target: EntryId
    to: Subject
    why: Text
    second: PersonRef


@entry_type("entry.annotated", *ANY, corrects=True)
@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class EntryAnnotated:
    """A comment; it counts for nothing."""

    target: EntryId
    note: Text


@entry_type("entry.disputed", *ANY, corrects=True)
@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class EntryDisputed:
    """Somebody says that a fact is wrong; it counts but is flagged until settled."""

    target: EntryId
    why: Text
    party: PartyRef


@entry_type("dispute.settled", *ANY, corrects=True)
@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class DisputeSettled:
    """A dispute is over: the fact stands, was superseded, or cannot be known."""

    target: EntryId
    outcome: Literal["upheld", "superseded", "cannot_be_known"]
    why: Text


@entry_type("verdict.reassessed", computed=True)
@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class VerdictReassessed:
    """A new verdict beside the old one, after a gauge was found out or a limit changed; readings untouched."""

    target: EntryId
    because: Short
    answer: dict[str, Any]


@entry_type("release.reissued", signed=("by",))
@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class ReleaseReissued:
    """A certificate under a new number, and which one it replaces. The service adds the certificate."""

    release: Ident
    replaces: Ident
    why: Text
