"""The gate as it is answered, and what a job says to it: found by the job, so that it costs the same on a long page."""

from dataclasses import dataclass, replace
from datetime import datetime
from functools import partial
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
from service_api.log import driver
from service_api.pages import Heard, read_entries
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
    """What the job says on the unit's own page. What it says of other things is not looked at, nor what it says on
    other units read; so a job may be as long as it likes.

    before, heard : as for `draw_unit`
    """
    page, ask = f"unit:{state.unit}", partial(driver.rows, connection)

    def told(indexes: list[int]) -> list[Item]:
        roots = read_entries(connection, book, indexes)
        topics = [f"fact:{entry.id}" for entry in roots]
        corrections = read_entries(connection, book, units.indexes_of(connection, book, topics, below=known))
        lines = {e.id: e for e in (*roots, *corrections) if heard is None or heard(e)}
        found = facts(effective_history(lines.values(), page), true_at)
        return [i for i in found if before is None or i.key < before]

    found = told(units.indexes_on(ask, book, page, f"gate:{job}", below=known)) if job else []
    facts_of_job = job_facts(found)
    waiting = {
        i.body.finding
        for i in facts_of_job.answers.values()
        if i.body.answer == "defect" and i.body.finding is not None
    } - facts_of_job.closed
    if not waiting - state.findings.keys():
        return facts_of_job
    closings = told(units.indexes(connection, book, page, below=known, types=("finding.closed",)))
    return replace(facts_of_job, closed=facts_of_job.closed | {i.body.finding for i in closings})
