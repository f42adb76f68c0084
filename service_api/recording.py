"""The one place where wire, domain, log, projections and directory meet: a batch of drafts becomes entries.

A batch is judged, appended, and every unit it touches redrawn, in one transaction under one lock; then it is
acknowledged. The clock is read once, last, under the lock.
"""

import json
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from functools import partial
from typing import Any, Literal

from sqlalchemy import Connection, Engine
from sqlalchemy.exc import DBAPIError, SQLAlchemyError

from service_api import permits
from service_api.directory import attachments, people, sessions
from service_api.domain import tags
from service_api.domain.context import Context, SheetRevision
from service_api.domain.discrepancies import discrepancy
from service_api.domain.doubts import RAISING, joined
from service_api.domain.entries.jobs import ReadingTaken
from service_api.domain.entries.places import TagAttached
from service_api.domain.entries.registry import TYPES
from service_api.domain.entry import Recorded, Signed
from service_api.domain.ledger import Doubt, merged
from service_api.domain.matters import Raised, told
from service_api.domain.moments import day_in, in_utc, parse
from service_api.domain.plain import answer, make, plain
from service_api.domain.records import replace
from service_api.domain.references import Reference, named_in, references
from service_api.domain.refusals import Busy, DiskFull, Fault, IdReused, Malformed, NotAllowed, OutcomeUnknown, Refusal
from service_api.domain.slips import Slip
from service_api.domain.state import UnitState, begin
from service_api.domain.warnings import Remark, newest_row, remarks, uom_fault
from service_api.filing import changes_of, drawn_topics, family_topic, is_context, own_topics, pages_of, root_of
from service_api.late import Tail, advance, keep_cuts, renewed, uncut
from service_api.ledgers import pieces_changed, settle, settle_slips, write_claims, write_slips
from service_api.log import driver, store
from service_api.log.combining import Combiner
from service_api.log.store import Book, Head, Row
from service_api.log.tail import TailBroken, check_tail
from service_api.log.trouble import trouble
from service_api.pages import (
    authorisations,
    entry_answer,
    find_entry,
    gauge_record,
    open_alerts,
    recorded_answer,
    revision_of,
    sheet_revisions,
)
from service_api.permits import Roles, Sender
from service_api.projections import units
from service_api.projections.changes import change_rows
from service_api.projections.remarks import remark_rows
from service_api.projections.units import Page
from service_api.wire.canonical import load
from service_api.wire.entries import Draft, body_faults, near, recorded, splice

AHEAD = timedelta(minutes=5)
KEPT = 5000
CATCHING_UP = 200  # entries of others that are read to see what they made old


@dataclass(frozen=True)
class Outcome:
    """What became of one entry: recorded, the same again, refused, or spared because a neighbour was refused (strict).

    answer : the recorded entry with its receipt, as JSON text
    """

    id: str | None
    status: Literal["recorded", "again", "refused", "spared"]
    answer: bytes | None = None
    refusal: Refusal | None = None
    index: int | None = None


Submission = Draft | Refusal


@dataclass(frozen=True)
class _Request:
    submissions: Sequence[Submission]
    sender: Sender
    strict: bool


@dataclass
class _Batch:
    """One transaction's worth of work, thrown away when it fails."""

    head: Head
    recorded_at: str
    outcomes: list[list[Outcome | Recorded]] = field(default_factory=list)
    accepted: list[tuple[Draft, Recorded, bytes]] = field(default_factory=list)
    by_id: dict[str, Recorded] = field(default_factory=dict)
    digests: dict[str, bytes] = field(default_factory=dict)
    pages: dict[str, Page] = field(default_factory=dict)
    states: dict[str, UnitState] = field(default_factory=dict)  # before the batch
    known_units: set[str] = field(default_factory=set)
    classes: dict[str, str] = field(default_factory=dict)  # of the units that it registers
    issued: dict[str, list[SheetRevision]] = field(default_factory=dict)  # class -> the sheets that it issues
    roles: dict[str, Roles] = field(default_factory=dict)  # of the people who are named, as far as they are known
    signed_in: dict[str, frozenset[str]] = field(default_factory=dict)  # device -> who has a session there
    roots: dict[str, Recorded] = field(default_factory=dict)  # correction -> the fact at its root

    def mark(self) -> tuple[int, dict[str, Page], set[str]]:
        """Where the batch stands, for `back_to`."""
        return len(self.accepted), dict(self.pages), set(self.known_units)

    def back_to(self, mark: tuple[int, dict[str, Page], set[str]]) -> None:
        """Undo what was accepted since: a strict request is all or nothing, and its neighbours do not notice."""
        count, self.pages, self.known_units = mark
        for _, entry, _ in self.accepted[count:]:
            del self.by_id[entry.id], self.digests[entry.id]
            if entry.type == "unit.registered":
                del self.classes[entry.subject_id]
            elif entry.type == "sheet.issued":
                self.issued[entry.subject_id].pop()
        del self.accepted[count:]

    def changed_pages(self) -> dict[str, Page]:
        return {entry.subject: self.pages[entry.subject] for _, entry, _ in self.accepted}


@dataclass
class _Drawn:
    """The touched units' states before and after a batch, and what was remarked of it: by unit."""

    before: dict[str, UnitState] = field(default_factory=dict)
    after: dict[str, UnitState] = field(default_factory=dict)
    remarks: dict[str, list[Raised]] = field(default_factory=dict)
    tails: dict[str, Tail | None] = field(default_factory=dict)

    def raised(self, unit: str) -> list[Raised]:
        """What the batch raised on the unit, in the order of the moments."""
        known = self.before[unit].raised
        fresh = [r for key, r in self.after[unit].raised.items() if key not in known]
        return told([*fresh, *self.remarks.get(unit, ())])


@dataclass(frozen=True)
class _Done:
    """What a transaction brought about, to be kept once it is committed."""

    head: Head
    drawn: _Drawn
    answers: dict[str, bytes]
    sheets: set[str]


class Recorder:
    """Appends to one book. One recorder per book and process; many threads may call it."""

    def __init__(self, engine: Engine, book: Book, clock: Callable[[], datetime]) -> None:
        self.engine, self.book, self.clock = engine, book, clock
        self._door: Combiner[_Request, list[Outcome] | Exception] = Combiner(self._commit)
        # What the store says as of the head; dropped on any error, and as far as another process has moved it on.
        self._head: Head | None = None
        self._states: dict[str, UnitState] = {}
        self._tails: dict[str, Tail | None] = {}
        self._pages: dict[str, Page] = {}
        self._sheets: dict[str, list[SheetRevision]] = {}
        self._rows: dict[str, dict[str, Any]] = {}  # class -> code -> the characteristic by the newest of them
        self._context: dict[tuple[str, str], Any] = {}  # gauges, alerts, authorisations, until one of them moves
        self._slips: dict[str, Slip] = {}  # the last of each device
        self._parties: set[str] = set()  # ids are never taken out of the directory, so this only grows
        self._roles: dict[str, Roles] = {}
        self._directory = 0  # the version of the directory that the roles are of
        # After an I/O error or a cut connection nothing is written until the end of the log was looked at.
        self._in_doubt = False

    def record(self, submissions: Sequence[Submission], sender: Sender, strict: bool = False) -> list[Outcome]:
        """Record what can be recorded, in the order given; one outcome each, acknowledged when this returns.

        With `strict` nothing is recorded unless everything can be.
        """
        if not any(isinstance(s, Draft) for s in submissions):
            return [_refused(s, None) for s in submissions if isinstance(s, Refusal)]
        found = self._door.submit(_Request(submissions, sender, strict))
        if isinstance(found, Exception):
            raise found
        return found

    def settle(self) -> None:
        """Look at the end of the log if it is in doubt; raises what stands in the way of writing."""
        if self._in_doubt:
            found = self._door.submit(_Request((), Sender(""), False))
            if isinstance(found, Exception):
                raise found

    def _commit(self, requests: Sequence[_Request]) -> Sequence[list[Outcome] | Exception]:
        """Everything that was waiting, in one transaction; a fault of ours in one request spares its neighbours."""
        try:
            return self._safely(requests)
        except SQLAlchemyError:
            raise
        except Exception:
            if len(requests) == 1:
                raise
        return [self._alone(request) for request in requests]

    def _alone(self, request: _Request) -> list[Outcome] | Exception:
        try:
            (outcomes,) = self._safely([request])
        except Exception as error:
            return error
        return outcomes

    def _safely(self, requests: Sequence[_Request]) -> list[list[Outcome]]:
        try:
            return self._transact(requests)
        except BaseException as error:
            self._forget()
            if isinstance(error, DBAPIError) and trouble(error) == "unknown":
                self._in_doubt = True
                self.engine.dispose()  # the next transaction begins on a connection that saw nothing of this
            raise

    def _transact(self, requests: Sequence[_Request]) -> list[list[Outcome]]:
        drafts = [s for r in requests for s in r.submissions if isinstance(s, Draft)]
        ids = {d.key for d in drafts}
        with store.Held(self.engine, self.book.number, ids) as held:
            connection = held.connection
            if self._in_doubt:
                self._look(connection)
            self._catch_up(connection, held.head)
            batch = self._judge(connection, requests, drafts, held)
            done = self._append(connection, batch) if batch.accepted else None
        if done is not None:
            self._keep(done, batch)
        return [self._answered(outcomes, done.answers if done else {}) for outcomes in batch.outcomes]

    def _catch_up(self, connection: Connection, head: Head) -> None:
        """Forget what other processes' entries have made old since our last one."""
        since = None if self._head is None else self._head.size
        self._head = head
        if since == head.size:
            return
        if since is None or not 0 < head.size - since <= CATCHING_UP:
            self._drop()
            return
        for stored in store.texts(connection, self.book.number, range(since, head.size)):
            entry = load(stored.hashed)
            subject, kind = entry["subject"], TYPES.get(entry["type"])
            if kind is None or kind.corrects:  # it may show on any page
                self._drop()
                return
            name, _, ident = subject.partition(":")
            self._pages.pop(subject, None)
            for kept in (self._states, self._tails) if name == "unit" else (self._sheets, self._rows):
                kept.pop(ident, None)
            if name != "unit" or entry["type"].startswith("gauge."):
                self._context.clear()

    def _look(self, connection: Connection) -> None:
        """Hold the end of the log against its head. Raises Busy while they differ: nothing may be put on top."""
        try:
            check_tail(connection, self.book.number)
        except TailBroken as error:
            raise Busy(f"writing has stopped, nothing was recorded: in the book {self.book.origin} {error}") from error
        self._in_doubt = False

    def _forget(self) -> None:
        self._head = None
        self._drop()

    def _drop(self) -> None:
        self._states.clear()
        self._tails.clear()
        self._pages.clear()
        self._sheets.clear()
        self._rows.clear()
        self._context.clear()
        self._slips.clear()

    def _keep(self, done: _Done, batch: _Batch) -> None:
        for kept in (self._states, self._tails, self._pages):
            if len(kept) > KEPT:
                kept.clear()
        self._head = done.head
        self._states |= batch.states | done.drawn.after
        self._tails |= done.drawn.tails
        self._pages |= batch.pages
        for class_ in done.sheets:
            self._sheets.pop(class_, None)
            self._rows.pop(class_, None)

    def _read_states(self, connection: Connection, wanted: set[str]) -> dict[str, UnitState]:
        found = {unit: self._states[unit] for unit in wanted if unit in self._states}
        missing = wanted - found.keys()
        return found | units.read_states(connection, self.book.number, missing) if missing else found

    def _read_pages(self, connection: Connection, wanted: set[str]) -> dict[str, Page]:
        found = {subject: self._pages[subject] for subject in wanted if subject in self._pages}
        missing = wanted - found.keys()
        return found | units.read_pages(connection, self.book.number, missing) if missing else found

    def _read_people(self, connection: Connection, wanted: set[str]) -> dict[str, Roles]:
        """The roles of those who are in the directory."""
        missing = wanted - self._roles.keys()
        if missing:
            if len(self._roles) > KEPT:
                self._roles.clear()
                missing = wanted
            self._roles |= people.roles_of(connection, self.book.number, missing)
        return {person: self._roles[person] for person in wanted if person in self._roles}

    def _judge(
        self, connection: Connection, requests: Sequence[_Request], drafts: list[Draft], held: store.Held
    ) -> _Batch:
        """What becomes of every entry, before anything is written."""
        now = self.clock()
        batch = _Batch(held.head, max(in_utc(now, 6), held.head.recorded_at))
        directory = max(r.sender.directory for r in requests)
        if directory > self._directory:
            self._roles.clear()
            self._directory = directory
        self._look_up(connection, batch, drafts)
        for request in requests:
            before = batch.mark() if request.strict else None
            outcomes: list[Outcome | Recorded] = []
            for submission in request.submissions:
                if isinstance(submission, Refusal):
                    outcomes.append(_refused(submission, None))
                else:
                    outcomes.append(self._one(connection, batch, submission, request.sender, now, held.known))
            if before and any(isinstance(o, Outcome) and o.status == "refused" for o in outcomes):
                batch.back_to(before)
                outcomes = [_spared(o) for o in outcomes]
            batch.outcomes.append(outcomes)
        return batch

    def _append(self, connection: Connection, batch: _Batch) -> _Done:
        book, changes = self.book.number, driver.changes(connection)
        rows = [Row(d.key, d.digest, hashed) for d, _, hashed in batch.accepted]
        appended = store.append(changes, book, batch.head, rows, batch.recorded_at)
        self._run(changes, units.page_rows(book, batch.changed_pages()))
        self._write_topics(connection, changes, batch)
        drawn = self._redraw(connection, changes, batch)
        between = self._compare(connection, changes, batch, drawn)
        said = self._say(connection, batch, drawn, between)
        store.add_receipts(changes, book, appended.leaves, said)
        answers = {
            e.id: entry_answer(hashed, leaf.leaf, what)
            for (_, e, hashed), leaf, what in zip(batch.accepted, appended.leaves, said, strict=True)
        }
        sheets = {e.subject_id for _, e, _ in batch.accepted if e.kind == "class"}
        changes.commit()
        return _Done(appended.head, drawn, answers, sheets)

    @staticmethod
    def _run(changes: driver.Changes, write: units.Write) -> None:
        if write.rows:
            changes.many(write.sql, write.rows)

    @staticmethod
    def _answered(outcomes: Sequence[Outcome | Recorded], answers: dict[str, bytes]) -> list[Outcome]:
        found = []
        for o in outcomes:
            if isinstance(o, Recorded):
                found.append(Outcome(o.id, "recorded", answers[o.id], index=o.index))
            elif o.status == "again" and o.answer is None and o.id:
                # the same entry twice among those that came together: the second is answered with the first
                found.append(Outcome(o.id, "again", answers[o.id], index=o.index))
            else:
                found.append(o)
        return found

    # Judging

    def _look_up(self, connection: Connection, batch: _Batch, drafts: list[Draft]) -> None:
        """What the judging of this batch needs of the store, in a few statements for all of it."""
        named = [r for d in drafts for r in references(d.entry)]
        wanted = {r.ident for r in named if r.kind == "unit"}
        wanted |= {d.entry.subject_id for d in drafts if d.entry.kind == "unit"}
        persons = {r.ident for r in named if r.kind == "person"}
        persons |= {d.entry.subject_id for d in drafts if d.entry.kind == "person"}
        batch.states = self._read_states(connection, wanted)
        batch.known_units = {unit for unit, state in batch.states.items() if state.identity is not None}
        batch.roles = self._read_people(connection, persons)
        batch.pages = self._read_pages(connection, {d.entry.subject for d in drafts})

    def _one(
        self,
        connection: Connection,
        batch: _Batch,
        draft: Draft,
        sender: Sender,
        now: datetime,
        known: dict[bytes, store.Known],
    ) -> Outcome | Recorded:
        entry = draft.entry
        stored = known.get(draft.key)
        if stored is not None:
            if stored.digest != draft.digest:
                return _refused(IdReused("this id stands for another entry; make a new id for a new entry"), entry.id)
            again = recorded_answer(connection, self.book.number, stored.index)
            return Outcome(entry.id, "again", again, index=stored.index)
        if entry.id in batch.digests:
            if batch.digests[entry.id] != draft.digest:
                return _refused(IdReused("this id stands for another entry earlier in the batch"), entry.id)
            return Outcome(entry.id, "again", index=batch.by_id[entry.id].index)
        if sender.party is not None:
            hidden = self._hidden(connection, draft, sender)
            if hidden is not None:
                return _refused(hidden, entry.id)
        found = self._faults(connection, batch, draft, now)
        if found:
            return _refused(Malformed(found), entry.id)

        def signed_in() -> frozenset[str]:
            device = sender.device or ""
            if device not in batch.signed_in:
                there = sessions.sessions(connection, self.book.number, device, now)
                batch.signed_in[device] = frozenset(s.person for s in there)
            return batch.signed_in[device]

        target = self._entry(connection, batch, entry.data["target"]) if TYPES[entry.type].corrects else None
        barred = permits.barred(entry, batch.roles[entry.by], sender, self.book.zone, target, signed_in)
        if barred is not None:
            return _refused(NotAllowed(barred), entry.id)
        return self._accept(batch, draft, sender, permits.signed(entry, sender, signed_in))

    def _hidden(self, connection: Connection, draft: Draft, sender: Sender) -> Refusal | None:
        """What a customer's entry names beyond what they see is as unknown as what is not there."""
        from service_api.customers import hidden  # with the first customer's entry

        return hidden(connection, self.book.number, draft.entry, sender)

    def _faults(self, connection: Connection, batch: _Batch, draft: Draft, now: datetime) -> list[Fault]:
        entry = draft.entry
        found = []
        if entry.moment > now + AHEAD:
            ahead = entry.moment - now
            detail = (
                f"happened {ahead} from now by this service's clock; correct the device's clock or state its offset"
            )
            found.append(Fault("/occurred_at", "too-far-ahead", detail))
        if entry.seen_index is not None and not 0 <= entry.seen_index <= batch.head.size:
            found.append(Fault("/seen_index", "wrong-form", f"the book has {batch.head.size} entries"))
        registering = entry.type == "unit.registered"
        if entry.kind == "unit" and registering and entry.subject_id in batch.known_units:
            found.append(Fault("/subject", "already-registered", f"{entry.subject_id} has a page already"))
        named = list(references(entry))
        corrects = TYPES[entry.type].corrects  # it stands on its target's page, whatever became of the registration
        if not registering and not corrects and entry.kind in ("unit", "person"):
            named.insert(0, Reference(entry.kind, entry.subject_id, "/subject"))
        found += self._unknown(connection, batch, named)
        if TYPES[entry.type].corrects:
            found += self._correction_faults(connection, batch, draft)
        return found + self._body_faults(connection, batch, entry.subject_id, entry.body, "/data")

    def _unknown(self, connection: Connection, batch: _Batch, named: Iterable[Reference]) -> list[Fault]:
        """What is named has to be there: units by their page, people in the directory."""
        found = []
        for kind, ident, pointer in named:
            if kind == "unit" and ident not in batch.known_units:
                close = near(ident, tuple(units.all_units(connection, self.book.number)))
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
        self, connection: Connection, batch: _Batch, subject_id: str, body: Any, pointer: str
    ) -> list[Fault]:
        """What is wrong with data of the right form: a tag's check character, a reading's uom."""
        if isinstance(body, TagAttached) and tags.check(body.tag) == "invalid":
            return [Fault(f"{pointer}/tag", "bad-tag", "the check character is wrong: read the label again")]
        if isinstance(body, ReadingTaken) and subject_id in batch.known_units:
            fault = uom_fault(body, self._row(connection, batch, subject_id, body.characteristic), f"{pointer}/uom")
            return [fault] if fault else []
        return []

    def _correction_faults(self, connection: Connection, batch: _Batch, draft: Draft) -> list[Fault]:
        entry, body = draft.entry, draft.entry.body
        target = self._entry(connection, batch, body.target)
        if target is None:
            return [Fault("/data/target", "unknown-entry", "no such entry in the book, or earlier in this batch")]
        if target.subject != entry.subject:
            return [
                Fault("/subject", "wrong-subject", f"a correction stands on its target's subject, {target.subject}")
            ]
        batch.roots[entry.id] = root_of(target, lambda ident: self._entry(connection, batch, ident))
        if entry.type == "entry.superseded":
            found = _ahead(batch, entry.data, "/data")
            return found + self._new_data_faults(connection, batch, target, body.data, "/data/data")
        if entry.type == "entry.reattributed":
            return _move_faults(target, body.to, "/data/to")
        return []

    def _new_data_faults(
        self, connection: Connection, batch: _Batch, target: Recorded, data: dict[str, Any], pointer: str
    ) -> list[Fault]:
        """What would be refused in an entry is refused in the data that replaces its own."""
        found = body_faults(target.type, data, pointer)
        if found:
            return found
        if TYPES[target.type].corrects:
            corrected = self._entry(connection, batch, target.data["target"])
            if corrected is None or data["target"] != corrected.id:
                detail = "a corrected correction keeps its target; withdraw it to correct another entry"
                return [Fault(f"{pointer}/target", "wrong-form", detail)]
            if target.type == "entry.superseded":
                found = _ahead(batch, data, pointer)
                return found + self._new_data_faults(connection, batch, corrected, data["data"], f"{pointer}/data")
            if target.type == "entry.reattributed":
                found = _move_faults(corrected, data["to"], f"{pointer}/to")
        body = make(TYPES[target.type].body, data)
        named = named_in(body, pointer)
        batch.known_units |= self._read_states(connection, {r.ident for r in named if r.kind == "unit"}).keys()
        batch.roles |= self._read_people(connection, {r.ident for r in named if r.kind == "person"})
        found += self._unknown(connection, batch, named)
        if getattr(body, "second", None) == target.by:
            found.append(Fault(f"{pointer}/second", "second-is-first", "the second person is another than `by`"))
        if not found and TYPES[target.type].signed and data.get("second") != target.data.get("second"):
            found.append(Fault(f"{pointer}/second", "wrong-form", "a signature is never corrected; sign a new entry"))
        return found + self._body_faults(connection, batch, target.subject_id, body, pointer)

    def _entry(self, connection: Connection, batch: _Batch, ident: str) -> Recorded | None:
        if ident in batch.by_id:
            return batch.by_id[ident]
        return find_entry(connection, self.book.number, ident)

    def _sheets_of(self, connection: Connection, class_: str) -> list[SheetRevision]:
        if class_ not in self._sheets:
            self._sheets[class_] = sheet_revisions(connection, self.book.number, class_)
        return self._sheets[class_]

    def _class_of(self, batch: _Batch, unit: str) -> str | None:
        state = batch.states.get(unit)
        return state.identity.class_ if state and state.identity else batch.classes.get(unit)

    def _row(self, connection: Connection, batch: _Batch, unit: str, code: str) -> Any:
        class_ = self._class_of(batch, unit)
        if class_ is None:
            return None
        if class_ in batch.issued:
            return newest_row([*self._sheets_of(connection, class_), *batch.issued[class_]], code)
        rows = self._rows.setdefault(class_, {})
        if code not in rows:
            rows[code] = newest_row(self._sheets_of(connection, class_), code)
        return rows[code]

    def _accept(self, batch: _Batch, draft: Draft, sender: Sender, signed: Signed | None) -> Recorded:
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

    # Projections

    def _write_topics(self, connection: Connection, changes: driver.Changes, batch: _Batch) -> None:
        book = self.book.number
        topics = [topic for _, entry, _ in batch.accepted for topic in own_topics(entry)]
        corrections = [e for _, e, _ in batch.accepted if TYPES[e.type].corrects]
        topics += [family_topic(e, batch.roots[e.id]) for e in corrections]
        self._run(changes, units.topic_rows(book, topics))
        for entry in corrections:
            changes.settle()  # where it shows is read from what came before it
            self._run(changes, units.topic_rows(book, drawn_topics(connection, book, entry, batch.roots[entry.id])))
        if corrections:
            changes.settle()
        moves = (changes_of(connection, book, e, batch.roots.get(e.id, e)) for _, e, _ in batch.accepted)
        self._run(changes, change_rows(book, [change for found in moves for change in found]))
        moved = [e.index for _, e, _ in batch.accepted if is_context(batch.roots.get(e.id, e))]
        if moved:
            self._context.clear()
            self._run(changes, units.context_row(book, max(moved)))

    def _redraw(self, connection: Connection, changes: driver.Changes, batch: _Batch) -> _Drawn:
        """Bring every touched unit's state up to date: one step when in order, `late` what is not."""
        book = self.book.number
        touched: dict[str, list[Recorded]] = {}
        again: set[str] = set()
        for _, entry, _ in batch.accepted:
            pages = {entry.subject}
            if TYPES[entry.type].corrects:
                pages = pages_of(connection, self.book.number, batch.roots[entry.id])
                if entry.type != "entry.annotated":
                    again |= {p for p in pages if p.startswith("unit:")}
            for page in pages:
                if page.startswith("unit:"):
                    touched.setdefault(page, []).append(entry)
        done = _Drawn()
        drawn = {page.partition(":")[2] for page in touched} - batch.states.keys()
        states = batch.states | (self._read_states(connection, drawn) if drawn else {})
        for page, fresh in touched.items():
            unit = page.partition(":")[2]
            state = done.before[unit] = states.get(unit) or begin(unit)
            tail = self._tails.get(unit) or (None if state.entries else Tail(state))
            advanced = advance(state, fresh, tail) if page not in again else None
            if advanced is None:
                changes.settle()
                found = renewed(connection, book, state)
                done.after[unit], done.tails[unit], done.remarks[unit] = found.state, found.tail, found.remarks
                continue
            stepped, done.tails[unit] = advanced.state, advanced.tail
            if stepped.remarks:
                done.remarks[unit] = list(stepped.remarks)
                self._run(changes, remark_rows(book, unit, stepped.remarks))
                stepped = replace(stepped, remarks=())
            done.after[unit] = stepped
            if uncut(state, advanced) or (advanced.cuts and not keep_cuts(connection, book, unit, advanced.cuts)):
                changes.settle()
                done.tails[unit] = renewed(connection, book, stepped).tail
        self._run(changes, units.state_rows(book, done.after.values(), done.before))
        for unit, state in done.after.items():
            if state.tags != done.before[unit].tags:
                units.write_tags(connection, book, state)
        return done

    def _compare(self, connection: Connection, changes: driver.Changes, batch: _Batch, drawn: _Drawn) -> list[Doubt]:
        """What this batch claims of things that other pages speak of too, and where that contradicts them."""
        book, before, after = self.book.number, drawn.before, drawn.after
        fresh = [(entry, batch.roots.get(entry.id, entry)) for _, entry, _ in batch.accepted]
        keys = write_claims(connection, changes, book, fresh) | pieces_changed(before, after)

        def states(units: Iterable[str]) -> dict[str, UnitState]:
            wanted = set(units)
            return self._read_states(connection, wanted - after.keys()) | {u: after[u] for u in wanted & after.keys()}

        found = settle(connection, changes, book, keys, states) if keys else []
        sent = [slip for slip in write_slips(changes, book, [e for e, _ in fresh]) if not self._follows(slip)]
        return found + settle_slips(connection, changes, book, sent, keys) if sent or keys else found

    def _follows(self, slip: Slip) -> bool:
        """The slip is the next of its device after the last one, so that nothing is missing and no clock went back."""
        last = self._slips.get(slip.device)
        if last is None or slip.seq > last.seq:
            self._slips[slip.device] = slip
        return last is not None and slip.seq == last.seq + 1 and slip.at >= last.at

    # Receipts

    def _say(self, connection: Connection, batch: _Batch, drawn: _Drawn, between: list[Doubt]) -> list[bytes | None]:
        """What the receipt of each entry says beside the leaf: discrepancies raised, and warnings."""
        raised: dict[str, list[Any]] = {}
        for unit, state in drawn.after.items():
            if state.raised is not drawn.before[unit].raised or unit in drawn.remarks:
                for known in drawn.raised(unit):
                    found = discrepancy(known.code, known.entry, unit, known.entries, known.detail)
                    # a late entry may show that an earlier one cannot be right: its own receipt says so
                    owner = known.entry if known.entry in batch.by_id else _cause(batch, known.entries, unit)
                    raised.setdefault(owner, []).append(answer(found))
        for doubt in merged(between):
            owner = doubt.entry if doubt.entry in batch.by_id else batch.accepted[-1][1].id
            raised.setdefault(owner, []).append(answer(doubt.shown))
        for unit, state in drawn.after.items():
            for found_beside in self._joined(connection, batch, unit, state):
                owner = found_beside.key.partition(":")[2]
                raised.setdefault(owner, []).append(answer(found_beside))
        parties = self._unknown_parties(connection, batch)
        missing = self._awaited(connection, batch)
        said: list[bytes | None] = []
        for _, entry, _ in batch.accepted:
            reading = entry.type == "reading.taken"
            row = self._row(connection, batch, entry.subject_id, entry.body.characteristic) if reading else None
            found_here = raised.get(entry.id, [])
            if reading and row is None:
                detail = f"{entry.body.characteristic} is on no sheet of the class"
                unknown = discrepancy("unknown-characteristic", entry.id, entry.subject_id, (entry.id,), detail)
                found_here = [*found_here, answer(unknown)]
            words = [*remarks(entry, row), *parties.get(entry.id, ()), *missing.get(entry.id, ())]
            what = {"discrepancies": found_here, "warnings": [plain(w) for w in words]}
            said.append(json.dumps(what, separators=(",", ":")).encode() if found_here or words else None)
        return said

    def _joined(self, connection: Connection, batch: _Batch, unit: str, state: UnitState) -> list[Any]:
        """What entries of this batch raise by what stands beside their page; unknown characteristics are told apart."""
        page = f"unit:{unit}"
        fresh = {e.id for _, e, _ in batch.accepted if e.type in RAISING and e.subject == page}
        if not fresh or state.identity is None:
            return []
        book, class_ = self.book.number, state.identity.class_
        gauges = [m.latest.gauge for m in state.measured.values() if m.latest.entry in fresh and m.latest.gauge]
        signed = [p for s in state.signatures if s.entry in fresh for p in (s.by, s.second) if p]
        sheets = (
            sheet_revisions(connection, book, class_)
            if any(e.subject == f"class:{class_}" for e in batch.by_id.values())
            else self._sheets_of(connection, class_)
        )
        context = Context(
            zone=self.book.zone,
            on=day_in(parse(batch.recorded_at), self.book.zone),
            sheets=tuple(sheets),
            gauges={g: self._kept("gauge", g, partial(gauge_record, connection, book, g)) for g in gauges},
            alerts=tuple(self._kept("alerts", "", partial(open_alerts, connection, book))),
            authorised={p: self._kept("person", p, partial(authorisations, connection, book, p)) for p in signed},
        )
        return [d for d in joined(state, context, fresh) if d.code != "unknown-characteristic"]

    def _kept(self, kind: str, name: str, read: Callable[[], Any]) -> Any:
        if (kind, name) not in self._context:
            self._context[kind, name] = read()
        return self._context[kind, name]

    def _unknown_parties(self, connection: Connection, batch: _Batch) -> dict[str, list[Remark]]:
        named = {e.id: [r for r in references(e) if r.kind == "party"] for _, e, _ in batch.accepted}
        wanted = {r.ident for found in named.values() for r in found}
        if not wanted:
            return {}
        missing_here = wanted - self._parties
        if missing_here:
            self._parties |= people.known_ids(connection, self.book.number, "party", missing_here)
        known = self._parties
        return {
            ident: [
                Remark(
                    warning="unknown-party", pointer=r.pointer, words=f"{r.ident} is not in the directory of parties"
                )
                for r in found
                if r.ident not in known
            ]
            for ident, found in named.items()
        }

    def _awaited(self, connection: Connection, batch: _Batch) -> dict[str, list[Remark]]:
        wanted = {a.sha256 for _, e, _ in batch.accepted for a in e.attachments or ()}
        if not wanted:
            return {}
        have = attachments.known_digests(connection, self.book.number, wanted)
        return {
            e.id: [
                Remark(
                    warning="attachment-awaited", pointer=f"/attachments/{n}", words="its bytes have not arrived yet"
                )
                for n, a in enumerate(e.attachments or ())
                if a.sha256 not in have
            ]
            for _, e, _ in batch.accepted
        }


def refusal_of(error: DBAPIError) -> Refusal | None:
    """What is told of a store in trouble; None for a slip of ours. Nothing is called lost that may have been kept."""
    what = trouble(error)
    if what == "held":
        return Busy("the store is held or read-only; nothing was recorded")
    if what == "full":
        return DiskFull("the store has no space left; nothing was recorded")
    return OutcomeUnknown("the store did not answer; what was kept is not known here") if what == "unknown" else None


def _ahead(batch: _Batch, data: dict[str, Any], pointer: str) -> list[Fault]:
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


def _spared(outcome: Outcome | Recorded) -> Outcome:
    """The outcome of a neighbour of a refused entry in a strict request."""
    if isinstance(outcome, Outcome) and outcome.status == "refused":
        return outcome
    return Outcome(outcome.id, "spared")


def _cause(batch: _Batch, entries: Iterable[str], unit: str) -> str:
    """The entry of this batch that brought a contradiction to light."""
    here = [e.id for _, e, _ in batch.accepted if e.subject == f"unit:{unit}" or TYPES[e.type].corrects]
    return next((e for e in entries if e in here), here[-1])


def _refused(refusal: Refusal, ident: str | None) -> Outcome:
    return Outcome(ident or getattr(refusal, "ident", None), "refused", refusal=refusal)
