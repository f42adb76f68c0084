"""The job: opening to closing, and what is checked, measured, found, done and run between."""

from decimal import Decimal
from typing import Literal

from service_api.domain.entries.registry import entry_type
from service_api.domain.entries.shared import Attachment
from service_api.domain.forms import Chosen, Code, EntryId, Ident, PersonRef, Q, Short, Text, UnitRef, Unknown, Uom
from service_api.domain.records import record


@record(kw_only=True)
class Reading:
    value: Decimal | Chosen | Unknown
    position: Short | None = None


@record(kw_only=True)
class Approval:
    by: Short
    limit: Short


@entry_type("job.opened")
@record(kw_only=True)
class JobOpened:
    """Work on a unit begins under one job number."""

    job: Ident
    purpose: Literal["service", "repair", "complaint", "claim", "rebuild", "exam", "alert", "other"]
    complaint: Ident | None = None
    claim: Ident | None = None
    approval: Approval | None = None


@entry_type("job.closed")
@record(kw_only=True)
class JobClosed:
    """The job is done."""

    job: Ident


@record(kw_only=True)
class Proof:
    method: Text
    reading: Q | None = None


@entry_type("energy.isolated")
@record(kw_only=True)
class EnergyIsolated:
    """One energy source was shut off, locked, let out and proved dead."""

    source: Short
    device: Short
    proof: Proof
    lock: Short | None = None
    released_how: Text | None = None


@entry_type("energy.restored")
@record(kw_only=True)
class EnergyRestored:
    """One energy source is on again, its lock taken off by its owner."""

    source: Short
    lock: Short | None = None


@entry_type("caution.shown")
@record(kw_only=True)
class CautionShown:
    """A caution was shown and acknowledged; no proof that it was followed."""

    caution: Ident
    revision: int


@entry_type("check.answered", signed=("second",))
@record(kw_only=True)
class CheckAnswered:
    """One line of the sheet's checks was answered; a blank is no answer."""

    check: Ident
    answer: Literal["ok", "defect", "not_done", "not_reachable", "not_applicable"]
    why: Text | None = None
    finding: Ident | None = None
    sheet_rev: int | None = None
    second: PersonRef | None = None


@entry_type("reading.taken", signed=("second",))
@record(kw_only=True)
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
@record(kw_only=True)
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
@record(kw_only=True)
class FindingClosed:
    """A finding was decided."""

    finding: Ident
    how: Literal["cured", "accepted", "not_a_fault"]
    why: Text | None = None
    by_entries: tuple[EntryId, ...] | None = None


@entry_type("work.done")
@record(kw_only=True)
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
@record(kw_only=True)
class SettingLeft:
    """A setting as it was left, and its seal."""

    setting: Ident
    value: Q
    seal: Short | None = None
    second: PersonRef | None = None


@record(kw_only=True)
class TestResult:
    test: Ident
    value: Q | None = None
    values: tuple[Q, ...] | None = None
    answer: Short | None = None
    gauge: UnitRef | None = None
    at_s: int | None = None


@entry_type("run.recorded")
@record(kw_only=True)
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
