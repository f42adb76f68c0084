"""An entry between its three forms: what a client sent, the dataclass, the canonical text that is hashed.

The schemas are imported with the first entry that is sent: who only reads starts without them.
"""

from collections.abc import Sequence
from datetime import UTC
from functools import cache
from hashlib import sha256
from types import ModuleType
from typing import Any

import orjson

from service_api.calc.uom import dimension
from service_api.domain.entries.registry import TYPES, EntryType
from service_api.domain.entry import Envelope, Recorded, Signed
from service_api.domain.forms import Quantity
from service_api.domain.plain import make, plain
from service_api.domain.records import builder, extended, once, record
from service_api.domain.refusals import Fault, Malformed
from service_api.wire.canonical import entry_text, load

LONGEST = 48 * 1024  # bytes of canonical text; C2SP bundles carry a 16-bit length, and the book adds members


@record
class Draft:
    """An entry that may become a fact: well formed, canonical, not yet recorded.

    cut : the four parts of the canonical text without braces; the third begins with its comma, or is empty
    digest : SHA-256 of the client's members in canonical form, by which the same entry is known again
    """

    entry: Envelope
    raw: dict[str, Any]
    cut: tuple[bytes, bytes, bytes, bytes]
    digest: bytes

    @property
    def length(self) -> int:
        """Bytes of the canonical text of what the client sent."""
        head, middle, tail, end = self.cut
        return len(head) + len(middle) + len(tail) + len(end) + 4  # braces, and two commas in between

    @once
    def key(self) -> bytes:
        """The entry's id in 16 bytes, as the book keeps it."""
        return bytes.fromhex(self.entry.id.replace("-", ""))


def read_draft(raw: Any, computed: bool = False) -> Draft:
    """A draft from a JSON value. Raises Malformed with every fault that the value alone shows.

    computed : the service itself sends it, so a computed type is welcome
    """
    if not isinstance(raw, dict):
        raise Malformed.at("", "wrong-form", "an entry is a JSON object")
    kind = _type_of(raw)
    return drafted(raw, _plainly(kind, raw, computed) or _by_the_schema(kind, raw, computed))


def drafted(raw: dict[str, Any], envelope: Envelope) -> Draft:
    """The draft of an entry whose envelope was made from `raw`, so that its form is right."""
    second = raw["data"].get("second")
    if second is not None and second == raw["by"]:
        raise Malformed.at("/data/second", "second-is-first", "the second person is another than `by`")
    text = entry_text(raw)
    if len(text) > LONGEST:
        raise Malformed.at(
            "",
            "too-long",
            f"the canonical text has {len(text)} bytes, at most {LONGEST}; send long lists as attachments",
        )
    return Draft(envelope, raw, _cut(text), sha256(text).digest())


def with_added(draft: Draft, **added: Any) -> Draft:
    """The draft with members that the service adds to its data; it is known again by what the client sent."""
    raw = draft.raw | {"data": draft.raw["data"] | added}
    members = {name: value for name, value in draft.entry.__dict__.items() if name not in ("body", "moment")}
    entry: Envelope = builder(Envelope)(members | {"data": raw["data"]})
    return Draft(entry, raw, _cut(entry_text(raw)), draft.digest)


def plain_draft(body: bytes) -> Draft | None:
    """The draft of a JSON text in which nothing can be wrong; None when `parse` and `read_draft` have to look.

    A sound entry holds no number with a fraction, and of such a value the canonical text is the shortest that there is:
    a text of that length has no name that stands twice, which nothing else here would see.
    """
    draft = _plain(_loaded(body))
    return draft if draft is not None and _is_shortest(body, (draft,), 0) else None


def plain_drafts(body: bytes) -> list[Draft] | None:
    """The drafts of a JSON list of such entries; None when one of them is not."""
    raws = _loaded(body)
    if type(raws) is not list:
        return None
    drafts = []
    for raw in raws:
        draft = _plain(raw)
        if draft is None:
            return None
        drafts.append(draft)
    return drafts if _is_shortest(body, drafts, len(drafts) + 1) else None  # brackets, and commas in between


SPACES = (b" ", b"\t", b"\r", b"\n")


def _is_shortest(body: bytes, drafts: Sequence[Draft], more: int) -> bool:
    """No text of these entries is shorter, spaces apart: those between its words, and those within them, which both
    have. `more` bytes stand around the entries."""
    length = sum([draft.length for draft in drafts]) + more
    if length == len(body):
        return True
    within = b"".join([part for draft in drafts for part in draft.cut])
    return length - _spaces(within) == len(body) - _spaces(body)


def _spaces(text: bytes) -> int:
    return sum([text.count(space) for space in SPACES if space in text])


def _loaded(body: bytes) -> Any:
    """The value of a text, its fractions as floating-point numbers: it is for `accept`, which takes none."""
    try:
        return orjson.loads(body)
    except orjson.JSONDecodeError:
        return None


def _plain(raw: Any) -> Draft | None:
    """The draft of an entry in which nothing can be wrong."""
    if type(raw) is not dict:
        return None
    kind = TYPES.get(raw["type"]) if type(raw.get("type")) is str else None
    if kind is None or raw.get("v") != kind.version:
        return None
    envelope = _plainly(kind, raw, computed=False)
    try:
        return None if envelope is None else drafted(raw, envelope)
    except Malformed:
        return None


@cache
def _accept() -> ModuleType:
    """An `import` that is met in every entry takes as long as a member of it."""
    from service_api.wire import accept

    return accept


def _plainly(kind: EntryType, raw: dict[str, Any], computed: bool) -> Envelope | None:
    """The envelope of an entry in which nothing can be wrong; None when the schema has to look."""
    accept = _accept()
    try:
        envelope = accept.envelope(raw, kind.body)
        envelope.moment.astimezone(UTC)
    except (accept.Declined, OverflowError):
        return None
    sound = envelope.kind in kind.subjects and (computed or not kind.computed) and not _rules(kind.name, envelope.body)
    return envelope if sound else None


def _by_the_schema(kind: EntryType, raw: dict[str, Any], computed: bool) -> Envelope:
    """The envelope, or Malformed with every fault."""
    from marshmallow import ValidationError

    from service_api.wire import derive

    found: list[Fault] = []
    try:
        envelope = derive.load(Envelope, raw)
    except ValidationError as error:
        found = derive.faults(error.messages)
        envelope = None
    if isinstance(raw.get("data"), dict):  # the type's own schema says more of it than the envelope's
        found = [f for f in found if not f.pointer.startswith("/data")]
        found += body_faults(kind.name, raw["data"], "/data")
    subject = raw.get("subject")
    stands = isinstance(subject, str) and derive.SUBJECT.fullmatch(subject)
    if stands and str(subject).partition(":")[0] not in kind.subjects:
        found.append(Fault("/subject", "wrong-subject", f"{kind.name} stands on a {' or '.join(kind.subjects)}"))
    if kind.computed and not computed:
        found.append(Fault("/type", "computed-type", f"{kind.name} is written by the service alone"))
    if found or envelope is None:
        raise Malformed(found)
    try:
        envelope.moment.astimezone(UTC)
    except OverflowError:
        detail = "with this error taken off, the moment lies outside the calendar"
        raise Malformed.at("/device/clock_offset_ms", "wrong-form", detail) from None
    made: Envelope = envelope
    return made


def _type_of(raw: dict[str, Any]) -> EntryType:
    if "type" not in raw:
        raise Malformed.at("/type", "missing-member", "this member must be given")
    name = raw["type"]
    if not isinstance(name, str):
        raise Malformed.at("/type", "wrong-form", "a text is expected")
    if name not in TYPES:
        raise Malformed.at("/type", "unknown-type", f"no entry type {name!r}", near(name, tuple(TYPES)))
    version = raw.get("v")
    if isinstance(version, int) and not isinstance(version, bool) and version != TYPES[name].version:
        raise Malformed.at("/v", "unknown-version", f"{name} has version {TYPES[name].version}")
    return TYPES[name]


def near(word: str, words: tuple[str, ...], most: int = 3) -> tuple[str, ...]:
    """The words that look most like `word`, the likeliest first; none when nothing comes near."""
    from difflib import get_close_matches  # only a refusal needs it

    return tuple(get_close_matches(word, words, n=most, cutoff=0.6))


def body_faults(name: str, data: Any, pointer: str) -> list[Fault]:
    """What is wrong with the data of an entry of type `name`; nothing when it is well formed."""
    from marshmallow import ValidationError

    from service_api.wire import derive

    try:
        body = derive.load(TYPES[name].body, data)
    except ValidationError as error:
        return derive.faults(error.messages, pointer)
    return [Fault(pointer + at, code, detail) for at, code, detail in _rules(name, body)]


def _rules(name: str, body: Any) -> list[tuple[str, str, str]]:
    """Rules that no single member can state."""
    if name == "concession.granted":
        found = []
        if body.until_on is None and not isinstance(body.until_hours, Quantity):
            found.append(("/until_on", "missing-member", "a concession ends on a day or at an hours count: give one"))
        if (body.for_.finding is None) == (body.for_.characteristic is None):
            found.append(("/for", "wrong-form", "a concession is for one finding or one characteristic"))
        if isinstance(body.until_hours, Quantity) and dimension(body.until_hours.uom) != dimension("h"):
            found.append(("/until_hours/uom", "wrong-dimension", "hours are a quantity of time"))
        return found
    for member in TYPES[name].added:
        if getattr(body, member) is not None:
            return [(f"/{member}", "extra-member", f"the service adds {member} by itself; leave it out")]
    if name in ("unit.dispatched", "unit.released") and body.hire is not None and body.hire.until < body.hire.from_:
        return [("/hire/until", "wrong-form", "a hire ends on the day it begins, or later")]
    if name == "service.planned" and body.due_on is None and body.due_hours is None:
        return [("/due_on", "missing-member", "a plan has a day, an hours count, or both")]
    return []


def _cut(text: bytes) -> tuple[bytes, bytes, bytes, bytes]:
    """The canonical text of a sound entry, cut where the book's members go: behind `id`, `occurred_at`, `seen_index`.

    Within a JSON text a quote is written with a backslash, so what is looked for can only be a member's name, and none
    of the three stands in what comes after it.
    """
    id_ends = text.rindex(b'"id":"') + _ID_LONG
    moment_ends = text.index(b'"', text.index(_MOMENT, id_ends) + len(_MOMENT)) + 1
    tail_ends = text.index(b",", moment_ends + 1) if text.startswith(_SEEN, moment_ends) else moment_ends
    return text[1:id_ends], text[id_ends + 1 : moment_ends], text[moment_ends:tail_ends], text[tail_ends + 1 : -1]


_ID_LONG = len('"id":"01990000-0000-7000-8000-000000000000"')
_MOMENT, _SEEN = b'"occurred_at":"', b',"seen_index":'


def splice(draft: Draft, index: int, seq: int, recorded_at: str, recorded_by: str, signed: Signed | None) -> bytes:
    """The hashed text: the client's canonical members with the book's own in their places (RFC 8785 order)."""
    head, middle, tail, end = draft.cut
    own = b"" if signed is None else b',"signed":' + entry_text(plain(signed))
    heard = (recorded_at.encode(), recorded_by.encode())
    return _SPLICED % (head, index, middle, *heard, tail, seq, own, end)


_SPLICED = b'{%b,"index":%d,%b,"recorded_at":"%b","recorded_by":"%b"%b,"seq":%d%b,%b}'


def recorded(draft: Draft, index: int, seq: int, recorded_at: str, recorded_by: str, signed: Signed | None) -> Recorded:
    """The entry as `read_stored` would give it back, without reading it back."""
    # what was worked out for the draft holds for the entry
    return extended(
        Recorded,
        draft.entry,
        index=index,
        seq=seq,
        recorded_at=recorded_at,
        recorded_by=recorded_by,
        signed=signed,
    )


def read_stored(text: bytes) -> Recorded:
    """The entry from its hashed text."""
    found: Recorded = make(Recorded, load(text))
    return found
