"""The card of a unit: what the bench must know after one scan, worst first (JOB.md questions 1, 7, 39)."""

from collections.abc import Sequence
from datetime import datetime, timedelta
from decimal import Decimal

from service_api.domain import concessions, exams
from service_api.domain import condition as c
from service_api.domain import holds as h
from service_api.domain.alerts import AlertAnswer, touching
from service_api.domain.cautions import NOTHING, CautionAnswer, UnderWay, cautions
from service_api.domain.context import Context
from service_api.domain.discrepancies import Discrepancy
from service_api.domain.doubts import discrepancies
from service_api.domain.forms import Quantity, Unknown
from service_api.domain.hours import Hours, hours
from service_api.domain.matters import by_moment
from service_api.domain.meters import in_hours
from service_api.domain.readings import rows, sole
from service_api.domain.records import record
from service_api.domain.state import UnitState

TAG_DAYS = 90
CLOSING = "Follow the machine's manual, site rules and the persons licensed or appointed where you are."


@record(kw_only=True)
class WornTag:
    tag: str
    since: datetime
    entry: str


@record(kw_only=True)
class IdentityAnswer:
    """earlier : the SHA-256 of the bundle that the unit brought along from another book, an attachment"""

    unit: str
    class_: str | None
    title: str | None
    family: str | None
    serial: str | None
    owner: str | None
    variant: str | None
    name: str | None
    plate: str | None
    origin: str | None
    earlier: str | None
    tags: tuple[WornTag, ...]
    merged_into: str | None
    entries: tuple[str, ...]


@record(kw_only=True)
class CardWarning:
    warning: str
    words: str
    entries: tuple[str, ...]


@record(kw_only=True)
class ConcessionAnswer:
    concession: str
    why: str
    until_on: str | None
    until_hours: Quantity | Unknown | None
    hours_now: Hours
    state: str
    entry: str


@record(kw_only=True)
class ExamAnswer:
    """An examination as it stands; result, day and entry are null where the sheet asks for one and none is on record.

    due_next : the last day on which it counts; in_date : it counts on the day of the answer, and `why_not` if not
    """

    exam: str
    result: str | None
    on: str | None
    due_next: str | None
    in_date: bool
    overdue: bool
    why_not: str | None
    examiner: str | None
    certificate: str | None
    entry: str | None


@record(kw_only=True)
class AsLeft:
    characteristic: str
    title: str | None
    slot: str | None
    latest: c.Latest


@record(kw_only=True)
class Due:
    what: str
    on: str | None
    hours: Decimal | None
    entries: tuple[str, ...]


@record(kw_only=True)
class Unanswered:
    job: str
    purpose: str
    blank: tuple[str, ...]
    not_done: tuple[str, ...]
    entry: str


@record(kw_only=True)
class PlaceAnswer:
    site: str | None
    bench: str | None
    party: str | None
    since: datetime
    entry: str


@record(kw_only=True)
class ComplaintAnswer:
    complaint: str
    words: str
    mode: str
    slot: str | None
    reported_at: datetime
    entry: str


@record(kw_only=True)
class Card:
    unit: str
    as_of: c.AsOf
    identity: IdentityAnswer
    standing: str
    standing_why: tuple[c.Why, ...]
    hours: Hours
    warnings: tuple[CardWarning, ...]
    holds: tuple[h.HoldAnswer, ...]
    findings: tuple[c.FindingAnswer, ...]
    complaints: tuple[ComplaintAnswer, ...]
    alerts: tuple[AlertAnswer, ...]
    concessions: tuple[ConcessionAnswer, ...]
    exams: tuple[ExamAnswer, ...]
    cautions: tuple[CautionAnswer, ...]
    caution_closing: str
    last_as_left: tuple[AsLeft, ...]
    due: tuple[Due, ...]
    discrepancies: tuple[Discrepancy, ...]
    unanswered_checks: tuple[Unanswered, ...]
    place: PlaceAnswer | None


def identity(state: UnitState, context: Context) -> IdentityAnswer:
    known = state.identity
    revision = context.in_force(context.on)
    worn = tuple(WornTag(tag=t.tag, since=t.since, entry=t.entry) for t in state.tags if t.until is None)
    return IdentityAnswer(
        unit=state.unit,
        class_=known.class_ if known else None,
        title=revision.sheet.title if revision else None,
        family=(known.family if known else None) or (revision.sheet.family if revision else None),
        serial=known.serial if known else None,
        owner=known.owner if known else None,
        variant=known.variant if known else None,
        name=known.name if known else None,
        plate=known.plate if known else None,
        origin=known.origin if known else None,
        earlier=known.earlier if known else None,
        tags=worn,
        merged_into=state.merged.into if state.merged else None,
        entries=(known.entry,) if known else (),
    )


def warnings(state: UnitState, context: Context, alerts: Sequence[AlertAnswer]) -> list[CardWarning]:
    """What must not be missed, worst first: retired, on hold, alert, tag changed, serial shared."""
    known = discrepancies(state, context)
    word, why = c.standing(state, context, known)
    found = []
    if state.retired:
        found.append(CardWarning(warning="retired", words="This unit is retired.", entries=(state.retired.entry,)))
    if word == "on_hold":
        entries = tuple(dict.fromkeys(entry for w in why for entry in w.entries))
        found.append(CardWarning(warning="on-hold", words="; ".join(w.why for w in why), entries=entries))
    found += [CardWarning(warning="alert", words=a.words, entries=a.entries) for a in alerts]
    changed = _tag_changed(state, context)
    if changed:
        found.append(changed)
    for shared in (d for d in known if d.code == "serial-shared"):
        others = ", ".join(unit for unit in shared.units if unit != state.unit)
        words = f"The serial is shared with {others}: scan and check the engraving."
        found.append(CardWarning(warning=shared.code, words=words, entries=shared.entries))
    return found


def _tag_changed(state: UnitState, context: Context) -> CardWarning | None:
    """A label changed within 90 days: read the engraving (JOB.md question 1). The first label is no change."""
    if len(state.tags) < 2:
        return None
    last = state.tags[-1]
    if context.on - context.day(last.since) > timedelta(days=TAG_DAYS):
        return None
    words = f"The tag changed on {context.day(last.since).isoformat()}: read the engraving."
    return CardWarning(warning="tag-changed", words=words, entries=(state.tags[-2].entry, last.entry))


def due(state: UnitState) -> list[Due]:
    found = []
    for plan in state.plans:
        on = plan.due_on if isinstance(plan.due_on, str) else None
        found.append(Due(what="service", on=on, hours=in_hours(plan.due_hours), entries=(plan.entry,)))
    for exam in by_moment(state.exams.values()):
        if isinstance(exam.due_next, str):
            found.append(Due(what=f"exam {exam.exam}", on=exam.due_next, hours=None, entries=(exam.entry,)))
    return sorted(found, key=lambda d: d.on or "9999")


def unanswered(state: UnitState, context: Context) -> list[Unanswered]:
    """Per open job: the sheet's checks that nobody answered, and those that somebody could not do (R3)."""
    revision = context.in_force(context.on)
    if revision is None:
        return []
    checks = revision.sheet.checks_for(state.identity.variant if state.identity else None)
    return [
        Unanswered(
            job=job.job,
            purpose=job.purpose,
            blank=tuple(k.check for k in checks if k.check not in job.checks),
            not_done=tuple(
                k.check
                for k in checks
                if k.check in job.checks and job.checks[k.check].answer in ("not_done", "not_reachable")
            ),
            entry=job.entry,
        )
        for job in by_moment(state.jobs.values())
    ]


def _concessions(state: UnitState, context: Context) -> list[ConcessionAnswer]:
    found = []
    for known in by_moment(state.concessions.values()):
        found.append(
            ConcessionAnswer(
                concession=known.concession,
                why=known.why,
                until_on=known.until_on,
                until_hours=known.until_hours,
                hours_now=hours(state),
                state="overdue" if concessions.overdue(known, state, context.on) else "open",
                entry=known.entry,
            )
        )
    return found


def _exams(state: UnitState, context: Context) -> list[ExamAnswer]:
    found = []
    for known in exams.standings(state, context):
        last, in_date = known.last, known.in_date(context.on)
        found.append(
            ExamAnswer(
                exam=known.exam,
                result=last.result if last else None,
                on=context.day(last.at).isoformat() if last else None,
                due_next=known.due_on.isoformat() if known.due_on else None,
                in_date=in_date,
                overdue=last is not None and not in_date,
                why_not=None if in_date else known.why_not(context.on),
                examiner=last.examiner if last else None,
                certificate=last.certificate if last else None,
                entry=last.entry if last else None,
            )
        )
    return found


def _as_left(state: UnitState, context: Context) -> list[AsLeft]:
    found = []
    for row in rows(state, context):
        measured = state.measured.get(row.code)
        if measured is None or measured.as_left is None:
            continue
        occupant = sole(state, row.slot)
        if occupant is None or measured.as_left.key > occupant.key:
            latest = c.latest_of(measured.as_left, row)
            found.append(AsLeft(characteristic=row.code, title=row.title, slot=row.slot, latest=latest))
    return found


def card(state: UnitState, context: Context, here: UnderWay = NOTHING) -> Card:
    """here : what is going on in its open jobs"""
    known = discrepancies(state, context)
    alerts = touching(state, context.alerts)
    word, why = c.standing(state, context, known)
    place = state.place
    return Card(
        unit=state.unit,
        as_of=c.as_of(state, context),
        identity=identity(state, context),
        standing=word,
        standing_why=why,
        hours=hours(state),
        warnings=tuple(warnings(state, context, alerts)),
        holds=h.holds(state, context, known),
        findings=tuple(c.finding(f) for f in by_moment(state.findings.values())),
        complaints=tuple(
            ComplaintAnswer(
                complaint=x.complaint, words=x.words, mode=x.mode, slot=x.slot, reported_at=x.at, entry=x.entry
            )
            for x in by_moment(state.complaints.values())
        ),
        alerts=alerts,
        concessions=tuple(_concessions(state, context)),
        exams=tuple(_exams(state, context)),
        cautions=tuple(cautions(state, context, here)),
        caution_closing=CLOSING,
        last_as_left=tuple(_as_left(state, context)),
        due=tuple(due(state)),
        discrepancies=known,
        unanswered_checks=tuple(unanswered(state, context)),
        place=PlaceAnswer(site=place.site, bench=place.bench, party=place.party, since=place.since, entry=place.entry)
        if place
        else None,
    )
