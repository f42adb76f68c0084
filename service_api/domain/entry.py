"""An entry: what a client sends, and the same with what the book adds."""

from datetime import datetime, timedelta
from typing import Any, Literal

from service_api.domain import moments
from service_api.domain.entries.registry import TYPES
from service_api.domain.entries.shared import Attachment
from service_api.domain.forms import EntryId, Ident, Moment, PersonRef, Short, Subject, TagText
from service_api.domain.plain import make
from service_api.domain.records import once, record


@record(kw_only=True)
class DeviceNote:
    clock_moved_ms: int


@record(kw_only=True)
class Device:
    """The device that wrote the entry, its own running number, and its clock's known error (device minus true)."""

    id: Ident
    seq: int
    clock_offset_ms: int | None = None
    note: DeviceNote | None = None


@record(kw_only=True)
class Source:
    """Where the entry came from: written live, typed from paper, imported, or history brought in."""

    kind: Literal["live", "paper", "import", "history"]
    ref: Short | None = None


@record(kw_only=True)
class Envelope:
    """The members that every entry has, whatever its type (DESIGN section 4)."""

    id: EntryId
    type: Short
    v: int
    subject: Subject
    occurred_at: Moment
    by: PersonRef
    data: dict[str, Any]
    typed_by: PersonRef | None = None
    job: Ident | None = None
    site: Short | None = None
    bench: Short | None = None
    tag: TagText | None = None
    tag_read: Literal["scanned", "typed", "picked"] | None = None
    seen_index: int | None = None
    client: Short | None = None
    device: Device | None = None
    source: Source | None = None
    attachments: tuple[Attachment, ...] | None = None

    @once
    def body(self) -> Any:
        """The type's dataclass, made from `data`."""
        return make(TYPES[self.type].body, self.data)

    @once
    def typed(self) -> datetime:
        """`occurred_at`, by the clock of whoever wrote it."""
        return moments.parse(self.occurred_at)

    @once
    def moment(self) -> datetime:
        """The corrected moment: `occurred_at` less the device's known clock error (CONTRACT B, Order)."""
        error = self.device.clock_offset_ms if self.device else None
        return self.typed - timedelta(milliseconds=error) if error else self.typed

    @property
    def device_seq(self) -> int:
        return self.device.seq if self.device else -1

    @property
    def kind(self) -> str:
        return self.subject.partition(":")[0]

    @property
    def subject_id(self) -> str:
        return self.subject.partition(":")[2]

    @property
    def source_kind(self) -> str:
        return self.source.kind if self.source else "live"


@record(kw_only=True)
class Signed:
    """How each signature is proved: by the person's own session, by an admin's word, or not (CONTRACT A)."""

    by: Literal["session", "vouched", "none"] | None = None
    second: Literal["session", "vouched", "none"] | None = None


@record(kw_only=True)
class Recorded(Envelope):
    """An entry as the book holds it: the client's members and the hashed ones that the book added."""

    index: int
    seq: int
    recorded_at: Moment
    recorded_by: Short
    signed: Signed | None = None

    @once
    def heard(self) -> datetime:
        return moments.parse(self.recorded_at)
