"""The gate before a release: what stands against it, why, and who may put it right (JOB.md 1.13, CONTRACT C, Gate).

It computes and decides nothing: the same facts and the same question give the same blocks, at any moment and by any
knowledge. Every block is one matter, so that whoever reads it knows what to do.
"""

from collections.abc import Iterator
from datetime import date
from functools import cached_property

from service_api.domain import condition as c
from service_api.domain.alerts import touching
from service_api.domain.concessions import overdue
from service_api.domain.context import Context, SheetRevision
from service_api.domain.discrepancies import KINDS, LEAD, Discrepancy
from service_api.domain.doubts import discrepancies
from service_api.domain.exams import due
from service_api.domain.job_facts import JobFacts
from service_api.domain.matters import OpenConcession, by_moment
from service_api.domain.readings import rows
from service_api.domain.records import record, replace
from service_api.domain.runs import RunAnswer, judge
from service_api.domain.sheets import Characteristic, Check, StandTest, applies
from service_api.domain.state import UnitState

WHO_MAY: dict[str, tuple[str, ...]] = {  # in the order in which blocks are listed (CONTRACT C, Gate blocks)
    "finding-open": ("bench", "signatory"),
    "check-unanswered": ("bench",),
    "check-defect": ("bench", "signatory"),
    "run-missing": ("stand", "bench"),
    "run-failed": ("stand", "bench"),
    "run-off-conditions": ("stand", "bench"),
    "beyond-limit": ("bench", "signatory"),
    "not-proved": ("bench", "signatory"),
    "slot-contested": LEAD,
    "exam-due": ("quality", "manager"),
    "not-authorised": ("quality", "manager"),
    "second-person": ("lead", "signatory", "manager"),
    "hold-open": LEAD,
    "alert-open": ("quality", "manager"),
    "concession-overdue": ("signatory", "manager"),
    "meter-doubt": LEAD,
    "identity-doubt": LEAD,
    "disputed": ("manager",),
    "not-in-shop": ("stores", "lead"),
}
BLOCK_OF = {  # discrepancies that hold a release, by the block that they make; any other that holds is `hold-open`
    "slot-contested": "slot-contested",
    "serial-in-two-places": "identity-doubt",
    "tag-on-two-units": "identity-doubt",
    "meter-backwards": "meter-doubt",
    "disputed": "disputed",
    "scan-after-scrap": "not-in-shop",
    "alert-part-fitted": "alert-open",
}
CONCEDED = ("finding-open", "check-defect", "beyond-limit", "not-proved")  # what a concession may lift
OF_A_RELEASE = ("released-while-blocked", "released-then-defect", "verdict-overtaken")  # never against the next one
UNSIGNED = ("unit.released", "release.reissued")  # whose unproved signature the next one ends
STATED = ("ok", "not_applicable")
UNAUTHORISED = "may not sign as"


@record(kw_only=True)
class Block:
    """One matter that stands against a release.

    why : a sentence that says what to do; entries : what it rests on; who_may : the roles that may put it right
    """

    code: str
    why: str
    entries: tuple[str, ...]
    who_may: tuple[str, ...]


@record(kw_only=True)
class Asked:
    """The release that is asked about. by : None leaves open who signs; then nobody's authorisation is judged."""

    job: str | None = None
    kind: str = "full"
    by: str | None = None
    second: str | None = None
    concessions: tuple[str, ...] = ()
    hire_from: str | None = None
    hire_until: str | None = None
    release: str | None = None
    at: str | None = None


@record
class Question:
    """Everything that the gate looks at: the unit and what it leans on, cut to a moment and a knowledge; `context.on`
    is the day of the release.
    """

    state: UnitState
    context: Context
    job: JobFacts
    asked: Asked

    @property
    def variant(self) -> str | None:
        return self.state.identity.variant if self.state.identity else None

    @property
    def class_(self) -> str:
        return self.state.identity.class_ if self.state.identity else ""

    @property
    def revision(self) -> SheetRevision | None:
        return self.context.in_force(self.context.on)

    @property
    def job_named(self) -> str:
        return f"job {self.asked.job}{'' if self.job.opened else ', which nobody opened on this unit'}"

    @cached_property
    def read(self) -> list[tuple[Characteristic, c.CharacteristicAnswer]]:
        """Every row of the sheet that was measured on what is fitted now, judged."""
        judged = ((row, c.characteristic(self.state, row, self.context)) for row in rows(self.state, self.context))
        return [(row, found) for row, found in judged if found.latest is not None]

    @property
    def conceded(self) -> list[OpenConcession]:
        """The concessions that the release names, as far as they are in the book and not past their end."""
        named = (self.state.concessions.get(name) for name in self.asked.concessions)
        return [k for k in named if k is not None and not overdue(k, self.state, self.context.on)]

    @property
    def not_granted(self) -> str:
        """The concessions that the release names and that are not open on the unit, in words; empty without any."""
        missing = [name for name in dict.fromkeys(self.asked.concessions) if name not in self.state.concessions]
        return f"no concession {' or '.join(missing)} is open on {self.state.unit}" if missing else ""


def blocks(asked: Question) -> tuple[Block, ...]:
    """Everything that stands against the release, in the order of the contract."""
    found = [
        *_findings(asked),
        *_checks(asked),
        *_runs(asked),
        *_readings(asked),
        *_exams(asked),
        *_signers(asked),
        *_holds(asked),
        *_doubts(asked),
        *_place(asked),
    ]
    order = list(WHO_MAY)
    return tuple(sorted(_concessions(asked, found), key=lambda block: order.index(block.code)))


def _block(code: str, why: str, *entries: str, who_may: tuple[str, ...] | None = None) -> Block:
    return Block(code=code, why=why, entries=tuple(dict.fromkeys(entries)), who_may=who_may or WHO_MAY[code])


# The job: findings, checks, runs


def _findings(asked: Question) -> Iterator[Block]:
    conceded = {k.for_.finding for k in asked.conceded}
    for finding in by_moment(asked.state.findings.values()):
        if finding.blocking and finding.finding not in conceded:
            why = f"finding {finding.finding} is open: {finding.words}; close it, or name a concession for it"
            yield _block("finding-open", why, finding.entry)


def _checks(asked: Question) -> Iterator[Block]:
    """Checks count per job: what another job answered says nothing about this one."""
    revision = asked.revision
    for check in revision.sheet.checks_for(asked.variant) if revision else ():
        if check.blocking and (found := _check(asked, check)) is not None:
            yield found


def _check(asked: Question, check: Check) -> Block | None:
    given = asked.job.answers.get(check.check)
    what = f"check {check.check} ({check.title})"
    if given is None:
        where = f"in {asked.job_named}" if asked.asked.job else "in any job: name the job"
        return _block("check-unanswered", f"{what} is not answered {where}")
    body = given.body
    if body.answer in STATED:
        return None
    if body.answer != "defect":
        why = f"{what} was answered {body.answer}{f': {body.why}' if body.why else ''}; answer it"
        return _block("check-unanswered", why, given.entry.id)
    if body.finding is None:
        return _block("check-defect", f"{what} found a defect and names no finding; answer it again", given.entry.id)
    conceded = {k.for_.finding for k in asked.conceded}
    closed = body.finding in asked.job.closed and body.finding not in asked.state.findings
    if closed or body.finding in conceded:
        return None
    why = f"{what} found a defect, and its finding {body.finding} is neither closed nor conceded"
    return _block("check-defect", why, given.entry.id)


def _runs(asked: Question) -> Iterator[Block]:
    """Test by test: the last run that shows something about a test decides it, so a later failure counts."""
    revision = asked.revision
    if revision is None:
        return
    wanted = revision.sheet.release is not None and revision.sheet.release.final_run
    tests = [t for t in revision.sheet.tests if t.blocking and applies(t, asked.variant)]
    final = [item for item in asked.job.runs if item.body.stage == "final"]
    changed = asked.job.changed
    counting = [i for i in final if changed is None or i.key > changed.key]
    current = [i for i in counting if i.body.sheet_rev == revision.rev]
    judged = [judge(i.body, i.entry.id, revision, asked.variant) for i in current]
    if not current and wanted:
        if not final:
            why = (
                f"there is no final run in {asked.job_named}"
                if asked.asked.job
                else "no job is named in which there is a final run: name the job"
            )
        elif not counting and changed is not None:
            why = f"the final run was before the last {changed.entry.type}; run it again"
        else:
            why = f"the final run was by another revision of the sheet than {revision.rev}, which is in force"
        yield _block("run-missing", why, *(i.entry.id for i in (*final, changed) if i is not None))
        return
    for test in tests:
        if (found := _test(test, judged, bool(wanted))) is not None:
            yield found


def _test(test: StandTest, judged: list[RunAnswer], wanted: bool) -> Block | None:
    shown = [(run, t) for run in judged for t in run.tests if t.test == test.test]
    decided = [(run, t) for run, t in shown if t.outcome in ("passed", "failed")]
    what = f"test {test.test} ({test.title})"
    if decided:
        run, last = decided[-1]
        if last.outcome == "passed":
            return None
        value = "" if last.value is None else f" with {last.value:f} {last.uom}"
        return _block("run-failed", f"{what} failed in run {run.run}{value}; put it right and run again", run.entry)
    if not wanted:
        return None
    off = [(run, t) for run, t in shown if t.outcome == "off_conditions"]
    if off:
        run, last = off[-1]
        return _block("run-off-conditions", f"{what} was run off its conditions: {last.why}", run.entry)
    tried = [run.entry for run, t in shown if t.outcome == "undecided"]
    why = next((t.why for _, t in reversed(shown) if t.outcome == "undecided"), None)
    return _block("run-missing", f"{what} {f'shows nothing: {why}' if tried else 'was not run'}", *tried)


# Readings


def states_a_limit(row: Characteristic) -> bool:
    """A row without any mark is for the record: no reading of it could ever be proved."""
    marks = (row.replace, row.watch, row.adjust, row.low, row.high)
    return row.kind == "choice" or row.against_baseline is True or any(mark is not None for mark in marks)


def _readings(asked: Question) -> Iterator[Block]:
    """What was measured on what is fitted now; what was never measured does not block by itself."""
    conceded = {k.for_.characteristic for k in asked.conceded}
    for row, found in asked.read:
        judged, latest = found.conformity, found.latest
        if latest is None or row.code in conceded or not states_a_limit(row):
            continue
        read = f"{row.code} ({row.title}) reads {judged.value:f} {row.uom}" if judged.value is not None else row.code
        if judged.outcome == "replace":
            yield _block("beyond-limit", f"{read}, beyond its limit; put it right and read it again", latest.entry)
        elif judged.outcome == "not_proved":
            why = f"{read}, nearer to its limit than its uncertainty: read it better, replace, or concede"
            yield _block("not-proved", why, latest.entry)
        elif judged.outcome == "undecided":
            yield _block("not-proved", f"{read} and cannot be judged: {judged.why}; read it again", latest.entry)
        elif judged.gauge_state == "found-out":
            why = f"{read} by gauge {latest.gauge}, which was found out later: read it again with a sound gauge"
            yield _block("not-proved", why, latest.entry, who_may=("bench", "quality"))


# Examinations, signatures


def _exams(asked: Question) -> Iterator[Block]:
    until = asked.asked.hire_until
    for known, why in due(asked.state, asked.context, asked.context.on, date.fromisoformat(until) if until else None):
        yield _block("exam-due", f"{why}: have it examined, or end the hire before it", *known.entries)


def _signers(asked: Question) -> Iterator[Block]:
    by, second = asked.asked.by, asked.asked.second
    if by is not None and (missing := _unauthorised(asked, by, "release")) is not None:
        yield _block("not-authorised", *missing)
    revision = asked.revision
    wanted = revision is not None and revision.sheet.release is not None and revision.sheet.release.second_person
    if second is None:
        if wanted:
            yield _block("second-person", f"the sheet of {asked.class_} asks for a second person; name one")
        return
    did = asked.job.hands.get(second, ())
    if second == by:
        yield _block("second-person", f"{second} signs already: the second person is another")
    elif did:
        yield _block("second-person", f"{second} did work in this job: the second person is another", *did)
    if (missing := _unauthorised(asked, second, "second")) is not None:
        yield _block("second-person", *missing)


def _unauthorised(asked: Question, person: str, task: str) -> tuple[str, ...] | None:
    """Why the person may not do the task on the day of the release, and the entries that say so."""
    known, day = asked.context.authorised.get(person), asked.context.on
    if known is not None and known.allow(task, asked.class_, day):
        return None
    why, entries = known.why_not(task, asked.class_, day) if known else ("is not known", ())
    return (f"{person} {UNAUTHORISED} `{task}` on {day}: {why}; let somebody sign who may", *entries)


def of_authorisation(block: Block) -> bool:
    """Somebody signs who may not: of a release in the book `signed-unauthorised` says so."""
    return UNAUTHORISED in block.why and block.code in ("not-authorised", "second-person")


# What holds the unit


def _holds(asked: Question) -> Iterator[Block]:
    state, context = asked.state, asked.context
    for hold in by_moment(state.holds.values()):
        why = f"hold {hold.hold}: {hold.why}; {hold.lift_by} may lift it"
        yield _block("hold-open", why, hold.entry, who_may=(hold.lift_by,))
    for alert in touching(state, context.alerts):
        if alert.holds:
            why = f"alert {alert.alert} ({alert.action}): {alert.words}; {alert.why}"
            yield _block("alert-open", why, *alert.entries)
    for known in by_moment(state.concessions.values()):
        if overdue(known, state, context.on):
            why = f"concession {known.concession} is past its end; put right what it was for, and end it"
            yield _block("concession-overdue", why, known.entry)


def _concessions(asked: Question, found: list[Block]) -> list[Block]:
    """The blocks, where a concession is named that is not open: what it may have been for says so, else it is one."""
    missing = asked.not_granted
    if missing and not any(block.code in CONCEDED for block in found):
        return [*found, _block("concession-overdue", f"{missing}: leave it out, or have it granted")]
    return [replace(b, why=f"{b.why}; {missing}") if missing and b.code in CONCEDED else b for b in found]


def _doubts(asked: Question) -> Iterator[Block]:
    for doubt in sorted(standing_doubts(asked), key=lambda d: d.key):
        code = BLOCK_OF.get(doubt.code, "hold-open")
        yield _block(code, f"{doubt.detail}; {doubt.settle}", *doubt.entries, who_may=doubt.who_may)
    if asked.state.identity is not None and asked.state.identity.origin == "unidentified":
        why = "it is not identified yet: merge it with the unit that it is, or register it"
        yield _block("identity-doubt", why, asked.state.identity.entry)


def standing_doubts(asked: Question) -> list[Discrepancy]:
    """What holds a release by what cannot be right, less what a release raised or what stands on one (CONTRACT F)."""
    unsigned = {
        f"signature-unproved:{r.entry}"
        for r in asked.state.raised.values()
        if r.code == "signature-unproved" and r.type in UNSIGNED
    }
    found = discrepancies(asked.state, asked.context)
    return [d for d in found if KINDS[d.code].holds_release and d.code not in OF_A_RELEASE and d.key not in unsigned]


def _place(asked: Question) -> Iterator[Block]:
    state = asked.state
    if state.retired is not None:
        yield _block("not-in-shop", "it is retired and is never released", state.retired.entry, who_may=("manager",))
    elif state.out is not None:
        sold = state.sold is not None
        yield _block("not-in-shop", f"it is {'sold' if sold else 'dispatched'}; receive it first", state.out.entry)
