"""The one place where wire, domain, log, projections and directory meet: a batch of drafts becomes entries.

A batch is judged, appended, and every unit it touches redrawn, in one transaction under one lock; then it is
acknowledged. The clock is read once, last, under the lock.
"""

from collections.abc import Callable, Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Engine
from sqlalchemy.exc import DBAPIError, SQLAlchemyError

from service_api.directory import tokens
from service_api.domain.entry import Recorded
from service_api.domain.moments import in_utc
from service_api.domain.refusals import Busy, DiskFull, OutcomeUnknown, Refusal
from service_api.log import driver, store
from service_api.log.combining import Combiner
from service_api.log.store import Book, Row
from service_api.log.tail import TailBroken, check_head, check_tail
from service_api.log.trouble import trouble
from service_api.pages import entry_answer
from service_api.permits import Sender
from service_api.projections import units
from service_api.recording.batch import Batch, Decide, Done, Outcome, Request, Submission, refused, spared
from service_api.recording.drawing import compare, redraw, run, write_topics
from service_api.recording.judging import judge_one, look_up
from service_api.recording.memory import Memory
from service_api.recording.receipts import say
from service_api.wire.entries import Draft

MOST_TOKENS = 16  # that one statement looks at again: each makes it longer


class Recorder:
    """Appends to one book. One recorder per book and process; many threads may call it."""

    def __init__(self, engine: Engine, book: Book, clock: Callable[[], datetime]) -> None:
        self.engine, self.book, self.clock = engine, book, clock
        self.memory = Memory(book)
        self._door: Combiner[Request, list[Outcome] | Exception] = Combiner(self._commit)
        # After an I/O error, a cut connection or a head that is not right nothing is written until the end of the log
        # was looked at.
        self._in_doubt = False
        self._on_server = engine.dialect.name != "sqlite"
        self._undisturbed = False  # on a server: nobody else had moved the book when it was last held

    def record(self, submissions: Sequence[Submission], sender: Sender, strict: bool = False) -> list[Outcome]:
        """Record what can be recorded, in the order given; one outcome each, acknowledged when this returns.

        With `strict` nothing is recorded unless everything can be.
        """
        if not any(isinstance(s, Draft) for s in submissions):
            return [refused(s, None) for s in submissions if isinstance(s, Refusal)]
        found = self._door.submit(Request(submissions, sender, strict))
        if isinstance(found, Exception):
            raise found
        return found

    def decide(self, draft: Draft, sender: Sender, decide: Decide) -> Outcome:
        """Record a decision, checked and appended under one lock: nothing comes between what it rests on and itself."""
        found = self._door.submit(Request((draft,), sender, False, decide))
        if isinstance(found, Exception):
            raise found
        return found[0]

    def settle(self) -> None:
        """Look at the end of the log if it is in doubt; raises what stands in the way of writing."""
        if self._in_doubt:
            found = self._door.submit(Request((), Sender(""), False))
            if isinstance(found, Exception):
                raise found

    def _commit(self, requests: Sequence[Request]) -> Sequence[list[Outcome] | Exception]:
        """Everything that was waiting, in one transaction; a fault of ours in one request spares its neighbours.

        A decision rests on what was recorded before it, so each has a transaction of its own, after the others.
        """
        if any(request.decide for request in requests):
            plain = [request for request in requests if request.decide is None]
            done = iter(self._commit(plain) if plain else ())
            told = {id(request): next(done) for request in plain}
            return [told[id(r)] if r.decide is None else self._alone(r) for r in requests]
        try:
            return self._safely(requests)
        except SQLAlchemyError:
            raise
        except Exception:
            if len(requests) == 1:
                raise
        return [self._alone(request) for request in requests]

    def _alone(self, request: Request) -> list[Outcome] | Exception:
        try:
            (found,) = self._safely([request])
        except Exception as error:
            return error
        return found

    def _safely(self, requests: Sequence[Request]) -> list[list[Outcome] | Exception]:
        try:
            return self._transact(requests)
        except BaseException as error:
            self.memory.forget()
            if isinstance(error, DBAPIError) and trouble(error) == "unknown":
                self._in_doubt = True
                self.engine.dispose()  # the next transaction begins on a connection that saw nothing of this
            raise

    def _transact(self, requests: Sequence[Request]) -> list[list[Outcome] | Exception]:
        drafts = [s for r in requests for s in r.submissions if isinstance(s, Draft)]
        recalled = {r.sender for r in requests if r.sender.recalled is not None}
        found = self._ahead(requests, drafts, recalled) if self._undisturbed else None
        return self._held(requests, drafts, recalled) if found is None else found

    def _ahead(
        self, requests: Sequence[Request], drafts: list[Draft], recalled: set[Sender]
    ) -> list[list[Outcome] | Exception] | None:
        """In a transaction that takes the book when it has to ask it something. None when that was not to be done, or
        the book is not what it was held for: then nothing was recorded, and what is remembered is what it was.

        What comes as a list may have come before, and feels no round trip.
        """
        head = self.memory.head
        provided = [tokens.stands(sender.recalled) for sender in recalled if sender.recalled]
        plain = all(r.decide is None and len(r.submissions) == 1 for r in requests)
        if head is None or not plain or len(provided) > MOST_TOKENS:
            return None
        ids = list({draft.key for draft in drafts})
        try:
            with store.Ahead(self.engine, self.book.number, head, ids, provided) as ahead:
                batch = self._judge(ahead, requests, drafts)
                if not batch.accepted:  # nothing shows whether it is refused by what stands now
                    return None
                done = self._append(ahead.connection, batch)
        except driver.Missed:
            return None
        self.memory.keep(done, batch)
        return [self._answered(outcomes, done.answers) for outcomes in batch.outcomes]

    def _held(
        self, requests: Sequence[Request], drafts: list[Draft], recalled: set[Sender]
    ) -> list[list[Outcome] | Exception]:
        besides = self._of_tokens(recalled) if recalled else ()
        with store.Held(self.engine, self.book.number, {d.key for d in drafts}, besides) as held:
            connection = held.connection
            if self._in_doubt or not self.memory.expects(held.head):
                self._look(connection)
            self._undisturbed = self._on_server and self.memory.is_at(held.head)
            self.memory.catch_up(connection, held.head)
            overtaken = _overtaken(recalled, held.besides) if recalled else ()
            standing = [r for r in requests if r.sender not in overtaken] if overtaken else requests
            batch = self._judge(held, standing, drafts)
            done = self._append(connection, batch) if batch.accepted else None
        if done is not None:
            self.memory.keep(done, batch)
        answers = done.answers if done else {}
        found = (self._answered(outcomes, answers) for outcomes in batch.outcomes)
        return [tokens.Overtaken() if r.sender in overtaken else next(found) for r in requests]

    def _of_tokens(self, recalled: set[Sender]) -> list[driver.Query]:
        """How those tokens stand now that were looked up before."""
        among = driver.parts(self.engine.dialect.name, sorted({sender.token for sender in recalled}))
        return [(tokens.NOW + which, (self.book.number, *some)) for which, some in among]

    def _look(self, connection: Connection) -> None:
        """Hold the head against itself, in doubt the end of the log against it.

        Raises Busy while they differ: nothing may be put on top.
        """
        try:
            (check_tail if self._in_doubt else check_head)(connection, self.book.number)
        except TailBroken as error:
            self._in_doubt = True
            raise Busy(f"writing has stopped, nothing was recorded: in the book {self.book.origin} {error}") from error
        self._in_doubt = False

    def _judge(self, held: store.Held | store.Ahead, requests: Sequence[Request], drafts: list[Draft]) -> Batch:
        """What becomes of every entry, before anything is written.

        drafts : of these requests, and perhaps of more
        """
        connection, now = held.connection, self.clock()
        batch = Batch(held.head, max(in_utc(now, 6), held.head.recorded_at))
        directory = max((r.sender.directory for r in requests), default=0)
        if directory > self.memory.directory:
            self.memory.roles.clear()
            self.memory.directory = directory
        look_up(self.memory, connection, batch, drafts)
        for request in requests:
            before = batch.mark() if request.strict else None
            outcomes: list[Outcome | Recorded] = []
            for submission in request.submissions:
                if isinstance(submission, Refusal):
                    outcomes.append(refused(submission, None))
                else:
                    outcomes.append(
                        judge_one(
                            self.memory, connection, batch, submission, request.sender, now, held.known, request.decide
                        )
                    )
            if before and any(isinstance(o, Outcome) and o.status == "refused" for o in outcomes):
                batch.back_to(before)
                outcomes = [spared(o) for o in outcomes]
            batch.outcomes.append(outcomes)
        return batch

    def _append(self, connection: Connection, batch: Batch) -> Done:
        book, changes = self.book.number, driver.changes(connection)
        rows = [Row(d.key, d.digest, hashed) for d, _, hashed in batch.accepted]
        appended = store.append(changes, book, batch.head, rows, batch.recorded_at)
        run(changes, units.page_rows(book, batch.changed_pages()))
        write_topics(self.memory, connection, changes, batch)
        drawn = redraw(self.memory, connection, changes, batch)
        between = compare(self.memory, connection, changes, batch, drawn)
        said = say(self.memory, connection, changes, batch, drawn, between)
        store.add_receipts(changes, book, appended.leaves, said)
        answers = {
            e.id: entry_answer(hashed, leaf.leaf, what)
            for (_, e, hashed), leaf, what in zip(batch.accepted, appended.leaves, said, strict=True)
        }
        sheets = {e.subject_id for _, e, _ in batch.accepted if e.kind == "class"}
        changes.commit()
        return Done(appended.head, drawn, answers, sheets)

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


def _overtaken(recalled: set[Sender], found: list[list[Any]]) -> set[Sender]:
    """Those whose token is not what it was when it was looked up."""
    now = tokens.of_rows(row for rows in found for row in rows)
    return {sender for sender in recalled if now.get(sender.token) != sender.recalled}


def refusal_of(error: DBAPIError) -> Refusal | None:
    """What is told of a store in trouble; None for a slip of ours. Nothing is called lost that may have been kept."""
    what = trouble(error)
    if what == "held":
        return Busy("the store is held or read-only; nothing was recorded")
    if what == "full":
        return DiskFull("the store has no space left; nothing was recorded")
    return OutcomeUnknown("the store did not answer; what was kept is not known here") if what == "unknown" else None
