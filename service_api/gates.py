"""The gate as it is answered, and what a job says to it: found by the job, so that it costs the same on a long page."""

from dataclasses import dataclass, replace
from datetime import datetime
from hashlib import sha256
from typing import Any

from sqlalchemy import Connection

from service_api.domain.certificate import SIGNING, Certificate, GateAnswer, InBook, certificate
from service_api.domain.condition import AsOf, as_of
from service_api.domain.gate import Block, Question, blocks
from service_api.domain.job_facts import JobFacts, job_facts
from service_api.domain.plain import answer
from service_api.domain.state import UnitState
from service_api.domain.timeline import Item, Key, effective_history, facts
from service_api.pages import Heard, history_of, read_entries
from service_api.projections import units
from service_api.wire.canonical import entry_text


@dataclass(frozen=True)
class Gate:
    """What stands against a release, the certificate that it would have, and for what it holds."""

    blocks: tuple[Block, ...]
    certificate: Certificate
    as_of: AsOf

    def digest(self) -> str:
        """SHA-256 of the RFC 8785 form of the blocks without `who_may` and the certificate without who signs."""
        told = [{k: v for k, v in answer(block).items() if k != "who_may"} for block in self.blocks]
        draft = {k: v for k, v in answer(self.certificate).items() if k not in SIGNING}
        return sha256(entry_text({"blocks": told, "certificate": draft})).hexdigest()

    def answer(self) -> dict[str, Any]:
        found: dict[str, Any] = answer(
            GateAnswer(blocks=self.blocks, certificate=self.certificate, digest=self.digest(), as_of=self.as_of)
        )
        return found


def gate_of(question: Question, book: InBook | None = None) -> Gate:
    return Gate(blocks(question), certificate(question, book), as_of(question.state, question.context))


def read_job(
    connection: Connection,
    book: int,
    state: UnitState,
    job: str | None,
    known: int | None,
    true_at: datetime | None,
    before: Key | None = None,
    heard: Heard | None = None,
) -> JobFacts:
    page = f"unit:{state.unit}"
    told = read_entries(connection, book, units.indexes(connection, book, f"job:{job}", below=known)) if job else []
    topics = [f"fact:{entry.id}" for entry in told]
    told += read_entries(connection, book, units.indexes_of(connection, book, topics, below=known))
    lines = {e.id: e for e in told if heard is None or heard(e)}
    found = [i for i in facts(effective_history(lines.values(), page), true_at) if _of_job(i, job)]
    found = [i for i in found if before is None or i.key < before]
    facts_of_job = job_facts(found, max((e.index for e in told), default=-1))
    waiting = {
        i.body.finding
        for i in facts_of_job.answers.values()
        if i.body.answer == "defect" and i.body.finding is not None
    } - facts_of_job.closed
    if not waiting - state.findings.keys():
        return facts_of_job
    closings = facts(history_of(connection, book, page, known, ("finding.closed",)), true_at)
    closings = [i for i in closings if i.entry.type == "finding.closed" and (before is None or i.key < before)]
    closed = {i.body.finding for i in closings}
    return replace(facts_of_job, closed=facts_of_job.closed | closed)


def _of_job(item: Item, job: str | None) -> bool:
    return job in (item.entry.job, getattr(item.body, "job", None))
