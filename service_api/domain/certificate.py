"""A release certificate: the facts that a release rested on, as they were known when it was signed (JOB.md 1.13).

A draft of it is read before signing; the one that was signed is frozen in the book and never drawn again from newer
facts.
"""

from decimal import Decimal

from service_api.domain import condition as c
from service_api.domain.card import Due, due
from service_api.domain.conformity import Conformity
from service_api.domain.context import RULES
from service_api.domain.entries.releases import ConcessionFor
from service_api.domain.exams import standings
from service_api.domain.forms import Quantity, Unknown
from service_api.domain.gate import Block, Question
from service_api.domain.hours import Hours, hours
from service_api.domain.matters import by_moment
from service_api.domain.records import record
from service_api.domain.runs import judge


@record(kw_only=True)
class InBook:
    """Where the release stands: its own index, and the book's size and root just before it."""

    index: int
    size: int
    root: str


@record(kw_only=True)
class Hired:
    from_: str | None
    until: str


@record(kw_only=True)
class CertifiedReading:
    characteristic: str
    title: str
    value: Decimal | None
    uom: str
    at: str
    stage: str
    gauge: str | None
    entry: str
    conformity: Conformity


@record(kw_only=True)
class CertifiedRun:
    run: str
    stage: str
    at: str
    by: str
    sheet_rev: int
    outcome: str
    failed: tuple[str, ...]
    entry: str


@record(kw_only=True)
class CertifiedFinding:
    """A finding that is open. concession : the one that lets the unit go with it."""

    finding: str
    words: str
    blocking: bool
    slot: str | None
    concession: str | None
    entry: str


@record(kw_only=True)
class CertifiedConcession:
    concession: str
    for_: ConcessionFor
    why: str
    until_on: str | None
    until_hours: Quantity | Unknown | None
    entry: str


@record(kw_only=True)
class CertifiedExam:
    exam: str
    result: str
    on: str
    due_next: str | None
    entry: str


@record(kw_only=True)
class CertifiedCheck:
    """A check of the sheet; answer `blank` where nobody answered."""

    check: str
    title: str
    answer: str
    why: str | None
    entry: str | None


@record(kw_only=True)
class Seal:
    setting: str
    value: Quantity | Unknown
    seal: str | None
    entry: str


@record(kw_only=True)
class Entitled:
    """The authorisation under which somebody signed."""

    person: str
    task: str
    entry: str


@record(kw_only=True)
class Certificate:
    """release, at, by, book : null in a draft. rules : the number of the computing rules."""

    release: str | None
    unit: str
    class_: str | None
    serial: str | None
    at: str | None
    by: str | None
    second: str | None
    kind: str
    job: str | None
    hire: Hired | None
    sheet_rev: int | None
    rules: int
    hours: Hours
    readings: tuple[CertifiedReading, ...]
    checks: tuple[CertifiedCheck, ...]
    settings: tuple[Seal, ...]
    runs: tuple[CertifiedRun, ...]
    findings: tuple[CertifiedFinding, ...]
    concessions: tuple[CertifiedConcession, ...]
    exams: tuple[CertifiedExam, ...]
    authorised: tuple[Entitled, ...]
    due: tuple[Due, ...]
    book: InBook | None


SIGNING = ("at", "by", "second", "book", "release")  # what is no part of a draft's digest (CONTRACT C)


def certificate(question: Question, book: InBook | None = None) -> Certificate:
    state, asked = question.state, question.asked
    revision = question.revision
    hire = Hired(from_=asked.hire_from, until=asked.hire_until) if asked.hire_until else None
    return Certificate(
        release=asked.release,
        unit=state.unit,
        class_=question.class_ or None,
        serial=state.identity.serial if state.identity else None,
        at=asked.at,
        by=asked.by,
        second=asked.second,
        kind=asked.kind,
        job=asked.job,
        hire=hire,
        sheet_rev=revision.rev if revision else None,
        rules=RULES,
        hours=hours(state),
        readings=_readings(question),
        checks=_checks(question),
        settings=tuple(
            Seal(setting=i.body.setting, value=i.body.value, seal=i.body.seal, entry=i.entry.id)
            for i in question.job.settings
        ),
        runs=_runs(question),
        findings=_findings(question),
        concessions=tuple(
            CertifiedConcession(
                concession=k.concession,
                for_=k.for_,
                why=k.why,
                until_on=k.until_on,
                until_hours=k.until_hours,
                entry=k.entry,
            )
            for k in question.conceded
        ),
        exams=_exams(question),
        authorised=_authorised(question),
        due=tuple(due(state)),
        book=book,
    )


def _readings(question: Question) -> tuple[CertifiedReading, ...]:
    return tuple(
        CertifiedReading(
            characteristic=row.code,
            title=row.title,
            value=latest.value,
            uom=latest.uom,
            at=latest.at,
            stage=latest.stage,
            gauge=latest.gauge,
            entry=latest.entry,
            conformity=found.conformity,
        )
        for row, found in question.read
        if (latest := found.latest) is not None
    )


def _checks(question: Question) -> tuple[CertifiedCheck, ...]:
    revision = question.revision
    found = []
    for check in revision.sheet.checks_for(question.variant) if revision else ():
        given = question.job.answers.get(check.check)
        answer, why = (given.body.answer, given.body.why) if given else ("blank", None)
        entry = given.entry.id if given else None
        found.append(CertifiedCheck(check=check.check, title=check.title, answer=answer, why=why, entry=entry))
    return tuple(found)


def _runs(question: Question) -> tuple[CertifiedRun, ...]:
    found = []
    for item in question.job.runs:
        body = item.body
        run = judge(body, item.entry.id, question.context.stated(body.sheet_rev), question.variant)
        found.append(
            CertifiedRun(
                run=run.run,
                stage=run.stage,
                at=item.occurred_at,
                by=item.entry.by,
                sheet_rev=run.sheet_rev,
                outcome=run.outcome,
                failed=tuple(t.test for t in run.tests if t.outcome == "failed"),
                entry=run.entry,
            )
        )
    return tuple(found)


def _findings(question: Question) -> tuple[CertifiedFinding, ...]:
    under = {k.for_.finding: k.concession for k in question.conceded}
    return tuple(
        CertifiedFinding(
            finding=f.finding,
            words=f.words,
            blocking=f.blocking,
            slot=f.slot,
            concession=under.get(f.finding),
            entry=f.entry,
        )
        for f in by_moment(question.state.findings.values())
    )


def _exams(question: Question) -> tuple[CertifiedExam, ...]:
    return tuple(
        CertifiedExam(
            exam=known.exam,
            result=known.last.result,
            on=question.context.day(known.last.at).isoformat(),
            due_next=known.due_on.isoformat() if known.due_on else None,
            entry=known.last.entry,
        )
        for known in standings(question.state, question.context)
        if known.last is not None
    )


def _authorised(question: Question) -> tuple[Entitled, ...]:
    asked, context = question.asked, question.context
    found = []
    for person, task in ((asked.by, "release"), (asked.second, "second")):
        known = context.authorised.get(person or "")
        grant = next(known.live(task, question.class_, context.on), None) if known else None
        if person and grant:
            found.append(Entitled(person=person, task=task, entry=grant.entry))
    return tuple(found)


@record(kw_only=True)
class GateAnswer:
    """What stands against a release, the certificate that it would have, and what both come to in one digest."""

    blocks: tuple[Block, ...]
    certificate: Certificate
    digest: str
    as_of: c.AsOf


@record(kw_only=True)
class Difference:
    """One fact of a certificate that reads otherwise today; null where it stands in one of the two only.

    entries : what it rests on, then and now
    """

    what: str
    then: object
    now: object
    entries: tuple[str, ...]


FRAME = ("release", "at", "by", "second", "book", "rules")  # of the act itself, which no later fact changes
NAMED = {
    "readings": "characteristic",
    "checks": "check",
    "settings": "setting",
    "runs": "run",
    "findings": "finding",
    "concessions": "concession",
    "exams": "exam",
    "authorised": "task",
    "due": "what",
}


def differences(issued: dict[str, object], today: dict[str, object]) -> list[Difference]:
    """What two certificates say otherwise, as plain answers, matter by matter in their order."""
    found = []
    for what in today.keys() | issued.keys():
        if what in FRAME:
            continue
        then, now = issued.get(what), today.get(what)
        if what in NAMED and isinstance(then, list) and isinstance(now, list):
            found += _between(what, NAMED[what], then, now)
        elif then != now:
            found.append(Difference(what=what, then=then, now=now, entries=_entries(then, now)))
    order = {what: place for place, what in enumerate([*today, *issued])}
    return sorted(found, key=lambda d: order[d.what.partition(" ")[0]])


def _between(what: str, name: str, then: list[dict[str, object]], now: list[dict[str, object]]) -> list[Difference]:
    had, has = {str(line[name]): line for line in then}, {str(line[name]): line for line in now}
    return [
        Difference(
            what=f"{what} {key}", then=had.get(key), now=has.get(key), entries=_entries(had.get(key), has.get(key))
        )
        for key in dict.fromkeys((*had, *has))
        if had.get(key) != has.get(key)
    ]


def _entries(*lines: object) -> tuple[str, ...]:
    found: list[str] = []
    for line in lines:
        if isinstance(line, dict):
            found += [str(line["entry"])] if line.get("entry") else list(line.get("entries") or ())
    return tuple(dict.fromkeys(found))
