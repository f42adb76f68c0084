"""What becomes of one entry, before anything is written: known already, refused, not allowed, or accepted."""

from collections.abc import Iterable
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import Connection

from service_api import permits
from service_api.directory import sessions
from service_api.domain import tags
from service_api.domain.entries.jobs import ReadingTaken
from service_api.domain.entries.places import TagAttached, UnitMerged
from service_api.domain.entries.registry import TYPES
from service_api.domain.entry import Envelope, Recorded, Signed
from service_api.domain.moments import parse
from service_api.domain.plain import make
from service_api.domain.references import Reference, named_in, references
from service_api.domain.refusals import Fault, IdReused, Malformed, NotAllowed, Refusal
from service_api.domain.warnings import uom_fault
from service_api.filing import root_of
from service_api.log import store
from service_api.pages import find_entry, recorded_answer, revision_of
from service_api.permits import Sender
from service_api.projections import units
from service_api.projections.units import Page
from service_api.recording.batch import Batch, Decide, Outcome, refused
from service_api.recording.memory import Memory
from service_api.wire.entries import Draft, body_faults, near, recorded, splice

AHEAD = timedelta(minutes=5)


def look_up(memory: Memory, connection: Connection, batch: Batch, drafts: list[Draft]) -> None:
    """What the judging of this batch needs of the store, in a few statements for all of it."""
    wanted: dict[str, set[str]] = {"unit": set(), "person": set()}
    for draft in drafts:
        kind, _, ident = draft.entry.subject.partition(":")
        if kind in wanted:
            wanted[kind].add(ident)
        for kind, ident, _ in references(draft.entry):
            if kind in wanted:
                wanted[kind].add(ident)
    batch.states = memory.read_states(connection, wanted["unit"])
    batch.known_units = {unit for unit, state in batch.states.items() if state.identity is not None}
    batch.roles = memory.read_people(connection, wanted["person"])
    batch.pages = memory.read_pages(connection, {d.entry.subject for d in drafts})


def judge_one(
    memory: Memory,
    connection: Connection,
    batch: Batch,
    draft: Draft,
    sender: Sender,
    now: datetime,
    known: dict[bytes, store.Known],
    decide: Decide | None = None,
) -> Outcome | Recorded:
    entry = draft.entry
    stored = known.get(draft.key)
    if stored is not None:
        if stored.digest != draft.digest:
            return refused(IdReused("this id stands for another entry; make a new id for a new entry"), entry.id)
        again = recorded_answer(connection, memory.book.number, stored.index)
        return Outcome(entry.id, "again", again, index=stored.index)
    if entry.id in batch.digests:
        if batch.digests[entry.id] != draft.digest:
            return refused(IdReused("this id stands for another entry earlier in the batch"), entry.id)
        return Outcome(entry.id, "again", index=batch.by_id[entry.id].index)
    if sender.party is not None:
        hidden = _hidden(memory, connection, draft, sender)
        if hidden is not None:
            return refused(hidden, entry.id)
    found = _faults(memory, connection, batch, draft, now)
    if found:
        return refused(Malformed(found), entry.id)

    def signed_in() -> frozenset[str]:
        device = sender.device or ""
        if device not in batch.signed_in:
            there = sessions.sessions(connection, memory.book.number, device, now)
            batch.signed_in[device] = frozenset(s.person for s in there)
        return batch.signed_in[device]

    target = _entry(memory, connection, batch, entry.data["target"]) if TYPES[entry.type].corrects else None
    lift_by = _lift_by(batch, entry) if entry.type == "hold.lifted" else None
    barred = permits.barred(entry, batch.roles[entry.by], sender, memory.book.zone, target, signed_in, lift_by)
    if barred is not None:
        return refused(NotAllowed(barred), entry.id)
    if decide is not None:
        try:
            draft = decide(connection, draft, batch.head)
        except Refusal as refusal:
            return refused(refusal, entry.id)
    if target is not None:
        batch.roots[entry.id] = root_of(target, lambda ident: _entry(memory, connection, batch, ident))
    return _accept(batch, draft, sender, permits.signed(entry, sender, signed_in))


def _lift_by(batch: Batch, entry: Envelope) -> str | None:
    """Who may lift the hold that this entry lifts; None where none is open by that name, as far as it is known here."""
    name, known = entry.body.hold, batch.states.get(entry.subject_id) if entry.kind == "unit" else None
    if known is not None and name in known.holds:
        return known.holds[name].lift_by
    placed = (e for _, e, _ in batch.accepted if e.type == "hold.placed" and e.subject == entry.subject)
    return next((e.body.lift_by for e in placed if e.body.hold == name), None)


def _hidden(memory: Memory, connection: Connection, draft: Draft, sender: Sender) -> Refusal | None:
    """What a customer's entry names beyond what they see is as unknown as what is not there."""
    from service_api.customers import hidden  # with the first customer's entry

    return hidden(connection, memory.book.number, draft.entry, sender)


def _faults(memory: Memory, connection: Connection, batch: Batch, draft: Draft, now: datetime) -> list[Fault]:
    entry = draft.entry
    found = []
    if entry.moment > now + AHEAD:
        ahead = timedelta(seconds=(entry.moment - now) // timedelta(seconds=1))
        detail = f"happened {ahead} from now by this service's clock; correct the device's clock or state its offset"
        found.append(Fault("/occurred_at", "too-far-ahead", detail))
    if entry.seen_index is not None and not 0 <= entry.seen_index <= batch.head.size:
        found.append(Fault("/seen_index", "wrong-form", f"the book has {batch.head.size} entries"))
    kind, _, ident = entry.subject.partition(":")
    registering = entry.type == "unit.registered"
    if kind == "unit" and registering and ident in batch.known_units:
        found.append(Fault("/subject", "already-registered", f"{ident} has a page already"))
    corrects = TYPES[entry.type].corrects  # it stands on its target's page, whatever became of the registration
    if not registering and not corrects and kind in ("unit", "person"):
        found += _unknown(memory, connection, batch, (Reference(kind, ident, "/subject"),))
    found += _unknown(memory, connection, batch, references(entry))
    if corrects:
        found += _correction_faults(memory, connection, batch, draft)
    return found + _body_faults(memory, connection, batch, ident, entry.body, "/data")


def _unknown(memory: Memory, connection: Connection, batch: Batch, named: Iterable[Reference]) -> list[Fault]:
    """What is named has to be there: units by their page, people in the directory."""
    found = []
    for kind, ident, pointer in named:
        if kind == "unit" and ident not in batch.known_units:
            close = near(ident, tuple(units.all_units(connection, memory.book.number)))
            found.append(Fault(pointer, "unknown-unit", f"no unit {ident} is registered; register it first", close))
        elif kind == "person" and ident not in batch.roles:
            found.append(
                Fault(
                    pointer,
                    "unknown-person",
                    f"nobody in the directory is called {ident}: add them with POST /v1/people",
                )
            )
    return found


def _body_faults(
    memory: Memory, connection: Connection, batch: Batch, subject_id: str, body: Any, pointer: str
) -> list[Fault]:
    """What is wrong with data of the right form: a tag's check character, a reading's uom."""
    if isinstance(body, TagAttached) and tags.check(body.tag) == "invalid":
        return [Fault(f"{pointer}/tag", "bad-tag", "the check character is wrong: read the label again")]
    if isinstance(body, UnitMerged) and body.into == subject_id:
        return [Fault(f"{pointer}/into", "wrong-subject", "a unit is merged into another one")]
    if isinstance(body, ReadingTaken) and subject_id in batch.known_units:
        fault = uom_fault(body, memory.row(connection, batch, subject_id, body.characteristic), f"{pointer}/uom")
        return [fault] if fault else []
    return []


def _correction_faults(memory: Memory, connection: Connection, batch: Batch, draft: Draft) -> list[Fault]:
    entry, body = draft.entry, draft.entry.body
    target = _entry(memory, connection, batch, body.target)
    if target is None:
        return [Fault("/data/target", "unknown-entry", "no such entry in the book, or earlier in this batch")]
    if target.subject != entry.subject:
        return [Fault("/subject", "wrong-subject", f"a correction stands on its target's subject, {target.subject}")]
    if entry.type == "entry.superseded":
        found = _ahead(batch, entry.data, "/data")
        return found + _new_data_faults(memory, connection, batch, target, body.data, "/data/data")
    if entry.type == "entry.reattributed":
        return _move_faults(target, body.to, "/data/to")
    return []


def _new_data_faults(
    memory: Memory, connection: Connection, batch: Batch, target: Recorded, data: dict[str, Any], pointer: str
) -> list[Fault]:
    """What would be refused in an entry is refused in the data that replaces its own."""
    found = body_faults(target.type, data, pointer)
    if found:
        return found
    if TYPES[target.type].corrects:
        corrected = _entry(memory, connection, batch, target.data["target"])
        if corrected is None or data["target"] != corrected.id:
            detail = "a corrected correction keeps its target; withdraw it to correct another entry"
            return [Fault(f"{pointer}/target", "wrong-form", detail)]
        if target.type == "entry.superseded":
            found = _ahead(batch, data, pointer)
            return found + _new_data_faults(memory, connection, batch, corrected, data["data"], f"{pointer}/data")
        if target.type == "entry.reattributed":
            found = _move_faults(corrected, data["to"], f"{pointer}/to")
    body = make(TYPES[target.type].body, data)
    named = named_in(body, pointer)
    batch.known_units |= memory.read_states(connection, {r.ident for r in named if r.kind == "unit"}).keys()
    batch.roles |= memory.read_people(connection, {r.ident for r in named if r.kind == "person"})
    found += _unknown(memory, connection, batch, named)
    if getattr(body, "second", None) == target.by:
        found.append(Fault(f"{pointer}/second", "second-is-first", "the second person is another than `by`"))
    if not found and TYPES[target.type].signed and data.get("second") != target.data.get("second"):
        found.append(Fault(f"{pointer}/second", "wrong-form", "a signature is never corrected; sign a new entry"))
    return found + _body_faults(memory, connection, batch, target.subject_id, body, pointer)


def _entry(memory: Memory, connection: Connection, batch: Batch, ident: str) -> Recorded | None:
    if ident in batch.by_id:
        return batch.by_id[ident]
    return find_entry(connection, memory.book.number, ident)


def _accept(batch: Batch, draft: Draft, sender: Sender, signed: Signed | None) -> Recorded:
    entry = draft.entry
    page = batch.pages.get(entry.subject, Page(0, -1))
    index = batch.head.size + len(batch.accepted)
    made = (index, page.entries, batch.recorded_at, sender.token, signed)
    done = recorded(draft, *made)
    batch.accepted.append((draft, done, splice(draft, *made)))
    batch.by_id[entry.id], batch.digests[entry.id] = done, draft.digest
    batch.pages[entry.subject] = Page(page.entries + 1, index)
    if entry.type == "unit.registered":
        batch.known_units.add(entry.subject_id)
        batch.classes[entry.subject_id] = entry.body.class_
    elif entry.type == "sheet.issued":
        batch.issued.setdefault(entry.subject_id, []).append(revision_of(done))
    return done


def _ahead(batch: Batch, data: dict[str, Any], pointer: str) -> list[Fault]:
    """A true moment that a correction gives may not lie in the future either."""
    if "occurred_at" in data and parse(data["occurred_at"]) > parse(batch.recorded_at) + AHEAD:
        return [Fault(f"{pointer}/occurred_at", "too-far-ahead", "a moment in the future by this service's clock")]
    return []


def _move_faults(target: Recorded, to: str, pointer: str) -> list[Fault]:
    """A fact moves to another subject, of a kind on which it may stand; its corrections follow it."""
    if TYPES[target.type].corrects:
        return [Fault(pointer, "wrong-subject", "a correction stands where its fact stands: move the fact")]
    if to == target.subject:
        return [Fault(pointer, "wrong-subject", "it stands there already")]
    if to.partition(":")[0] not in TYPES[target.type].subjects:
        words = " or ".join(TYPES[target.type].subjects)
        return [Fault(pointer, "wrong-subject", f"{target.type} stands on a {words}")]
    return []
