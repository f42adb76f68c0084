"""Complaints, jobs, checks, findings, work and the next service."""

from service_api.domain.entries.complaints import ComplaintClosed, ComplaintReported
from service_api.domain.entries.jobs import (
    CheckAnswered,
    FindingClosed,
    FindingRaised,
    JobClosed,
    JobOpened,
    SettingLeft,
    WorkDone,
)
from service_api.domain.entries.releases import ServicePlanned
from service_api.domain.fold.handlers import disturb, on, raise_on, settle, touch, with_one, without_one
from service_api.domain.fold.meters import hours_shown
from service_api.domain.matters import Answered, Exam, OpenComplaint, OpenFinding, OpenJob, Plan, Since
from service_api.domain.records import replace
from service_api.domain.state import UnitState
from service_api.domain.timeline import Item

LOOKING = ("AC-INS", "AC-MEA", "AC-TST", "AC-NIL")  # work that changes nothing
ANYWHERE = "*"  # work and settings that name no slot may have touched any


@on("complaint.reported")
def _complaint(state: UnitState, item: Item, body: ComplaintReported) -> UnitState:
    state = hours_shown(state, item, body.hours, "estimated")
    known = OpenComplaint(
        complaint=body.complaint,
        entry=item.entry.id,
        at=item.at,
        words=body.words,
        mode=body.mode,
        slot=body.slot,
        stop_use=body.stop_use,
    )
    name = body.complaint if body.complaint not in state.complaints else item.entry.id
    return replace(state, complaints=with_one(state.complaints, name, known))


@on("complaint.closed")
def _complaint_closed(state: UnitState, item: Item, body: ComplaintClosed) -> UnitState:
    return replace(state, complaints=without_one(state.complaints, body.complaint))


@on("job.opened")
def _job_opened(state: UnitState, item: Item, body: JobOpened) -> UnitState:
    job = OpenJob(job=body.job, purpose=body.purpose, entry=item.entry.id, at=item.at)
    name = body.job
    if name in state.jobs:  # both live; the second goes by its entry
        name = item.entry.id
        detail = f"job {body.job} is open already; this one goes by its entry"
        state = raise_on(state, item, "id-taken", detail, state.jobs[body.job].entry)
    state = replace(state, jobs=with_one(state.jobs, name, job))
    if state.last_job and state.last_job.job == body.job:
        state = replace(disturb(state, item, "job reopened"), last_job=None)
    return state


@on("job.closed")
def _job_closed(state: UnitState, item: Item, body: JobClosed) -> UnitState:
    job = state.jobs.get(body.job)
    state = replace(state, jobs=without_one(state.jobs, body.job), last_job=job or state.last_job)
    if job and job.purpose == "service":
        state = replace(state, plans=(), serviced=_serviced(state, item))
    return state


def _serviced(state: UnitState, item: Item) -> Since:
    return Since(entry=item.entry.id, at=item.at, hours=state.hours[0] if state.hours else None)


@on("check.answered")
def _check(state: UnitState, item: Item, body: CheckAnswered) -> UnitState:
    job = state.jobs.get(item.entry.job or "")
    if job is not None:
        answered = Answered(entry=item.entry.id, answer=body.answer, why=body.why)
        job = replace(job, checks=job.checks | {body.check: answered})
        state = replace(state, jobs=with_one(state.jobs, job.job, job))
    if body.answer == "defect" and state.released is not None:
        defects = state.released.defects | {body.check: item.entry.id}
        state = replace(state, released=replace(state.released, defects=defects))
    return state


@on("finding.raised")
def _finding(state: UnitState, item: Item, body: FindingRaised) -> UnitState:
    finding = OpenFinding(
        finding=body.finding,
        entry=item.entry.id,
        at=item.at,
        words=body.words,
        blocking=body.blocking,
        index=item.entry.index,
        slot=body.slot,
        mode=body.mode,
        mechanism=body.mechanism,
        cause=body.cause,
        confidence=body.confidence,
    )
    known = state.findings.get(body.finding)
    name = body.finding if known is None else item.entry.id  # both live; the second goes by its entry
    state = replace(state, findings=with_one(state.findings, name, finding))
    if not body.blocking:
        return state
    passed = [x for x in state.exams.values() if _passed_and_in_date(x, item)]
    if passed:
        detail = "a defect was found while the examination says safe: the defect rules; tell the examiner"
        state = raise_on(state, item, "exam-against-defect", detail, *(x.entry for x in passed))
    return disturb(state, item, "blocking finding")


def _passed_and_in_date(exam: Exam, item: Item) -> bool:
    return exam.result == "pass" and (not isinstance(exam.due_next, str) or item.occurred_at[:10] <= exam.due_next)


@on("finding.closed")
def _finding_closed(state: UnitState, item: Item, body: FindingClosed) -> UnitState:
    state = replace(state, findings=without_one(state.findings, body.finding))
    defects = {f.entry for f in state.findings.values() if f.blocking}
    against = (r for r in state.raised.values() if r.code == "exam-against-defect")
    return settle(state, *(r.key for r in against if not defects & set(r.entries)))


@on("work.done")
def _work(state: UnitState, item: Item, body: WorkDone) -> UnitState:
    if body.activity in LOOKING:
        return state
    return disturb(touch(state, item, body.slot or ANYWHERE), item, "work done")


@on("setting.left")
def _setting(state: UnitState, item: Item, body: SettingLeft) -> UnitState:
    return disturb(touch(state, item, ANYWHERE), item, "setting left")


@on("service.planned")
def _planned(state: UnitState, item: Item, body: ServicePlanned) -> UnitState:
    plan = Plan(entry=item.entry.id, at=item.at, due_on=body.due_on, due_hours=body.due_hours)
    return replace(state, plans=(*state.plans, plan))
