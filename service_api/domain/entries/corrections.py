"""Corrections: they stand on the subject of their target."""

from typing import Any, Literal

from service_api.domain.entries.registry import entry_type
from service_api.domain.forms import EntryId, Ident, Moment, PartyRef, PersonRef, Short, Subject, Text
from service_api.domain.records import record

ANY = ("unit", "lot", "person", "class", "alert", "shop")


@entry_type("entry.superseded", *ANY, corrects=True)
@record(kw_only=True)
class EntrySuperseded:
    """The whole new data of an earlier entry counts instead; the old stays visible."""

    target: EntryId
    data: dict[str, Any]
    why: Text
    occurred_at: Moment | None = None


@entry_type("entry.withdrawn", *ANY, corrects=True)
@record(kw_only=True)
class EntryWithdrawn:
    """An entry stops counting; it stays readable."""

    target: EntryId
    why: Text


@entry_type("entry.reattributed", *ANY, signed=("by", "second"), corrects=True)
@record(kw_only=True)
class EntryReattributed:
    """A right fact on the wrong subject: struck in the one history, present in the other, and both say so."""

    target: EntryId
    to: Subject
    why: Text
    second: PersonRef


@entry_type("entry.annotated", *ANY, corrects=True)
@record(kw_only=True)
class EntryAnnotated:
    """A comment; it counts for nothing."""

    target: EntryId
    note: Text


@entry_type("entry.disputed", *ANY, corrects=True)
@record(kw_only=True)
class EntryDisputed:
    """Somebody says that a fact is wrong; it counts but is flagged until settled."""

    target: EntryId
    why: Text
    party: PartyRef


@entry_type("dispute.settled", *ANY, corrects=True)
@record(kw_only=True)
class DisputeSettled:
    """A dispute is over: the fact stands, was superseded, or cannot be known."""

    target: EntryId
    outcome: Literal["upheld", "superseded", "cannot_be_known"]
    why: Text


@entry_type("verdict.reassessed", computed=True)
@record(kw_only=True)
class VerdictReassessed:
    """A new verdict beside the old one, after a gauge was found out or a limit changed; readings untouched."""

    target: EntryId
    because: Short
    answer: dict[str, Any]


@entry_type("release.reissued", signed=("by",))
@record(kw_only=True)
class ReleaseReissued:
    """A certificate under a new number, and which one it replaces. The service adds the certificate."""

    release: Ident
    replaces: Ident
    why: Text
