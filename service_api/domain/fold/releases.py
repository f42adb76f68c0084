"""Prove and let go: stand runs, releases, concessions, holds and examinations."""

from collections.abc import Callable, Collection

from service_api.domain.discrepancies import KINDS
from service_api.domain.entries.jobs import RunRecorded
from service_api.domain.entries.releases import (
    ConcessionEnded,
    ConcessionGranted,
    ExamRecorded,
    HoldLifted,
    HoldPlaced,
    UnitReleased,
)
from service_api.domain.fold.handlers import on, raise_on, settle, with_one, without_one
from service_api.domain.matters import (
    Exam,
    OpenConcession,
    OpenHold,
    Raised,
    Released,
    RunAfter,
    Signature,
    StandRun,
    Taken,
)
from service_api.domain.records import replace
from service_api.domain.state import UnitState
from service_api.domain.timeline import Item

RUNS = 4  # stand runs that are kept to be judged by their conditions
SIGNATURES = 4  # releases whose signatures are kept to be judged by the authorisations of their day


@on("run.recorded")
def _run(state: UnitState, item: Item, body: RunRecorded) -> UnitState:
    run = StandRun(
        run=body.run,
        entry=item.entry.id,
        at=item.at,
        stage=body.stage,
        sheet_rev=body.sheet_rev,
        conditions=dict(sorted(body.conditions.items())),
        tests=tuple(result.test for result in body.results),
    )
    state = replace(state, runs=(*state.runs, run)[-RUNS:])
    if state.released is None or body.stage != "final":
        return state
    after = (*state.released.runs, RunAfter(entry=item.entry.id, run=body))[-RUNS:]
    return replace(state, released=replace(state.released, runs=after))


OF_A_RELEASE = (  # raised by a release or on it: they never stand against the next (CONTRACT F)
    "released-while-blocked",
    "released-then-defect",
    "late-after-release",
    "signature-unproved",
)


@on("unit.released")
def _released(state: UnitState, item: Item, body: UnitReleased) -> UnitState:
    signed = item.entry.signed
    proved = signed is not None and "none" not in (signed.by, signed.second)
    seen = body.seen_index if body.seen_index is not None else item.entry.seen_index
    signature = Signature(entry=item.entry.id, at=item.at, by=item.entry.by, second=body.second)
    state = replace(state, signatures=(*state.signatures, signature)[-SIGNATURES:])
    before = state.released
    job = body.job or item.entry.job
    if before is not None and job is not None and job == before.job and not _knew(item, seen, before.index):
        detail = f"signed for job {job} without knowing of release {before.release}, which is the release"
        state = replace(state, released=replace(before, duplicates=(*before.duplicates, item.entry.id)))
        return raise_on(state, item, "released-twice", detail, before.entry)
    known, unknown = _in_the_way(state, body, lambda index: _knew(item, seen, index))
    if proved:
        ended = [k for k, r in state.raised.items() if r.code in ("dispatched-unreleased", *OF_A_RELEASE)]
        ended = [k for k in ended if state.raised[k].code != "signature-unproved"]  # by its type, in remark
        if known:
            ended = [k for k in ended if state.raised[k].code == "dispatched-unreleased"]
        state = settle(state, *ended)
    state = _late_for(state, item, body, unknown.keys())
    if known:
        detail = f"signed over what stood against it: {', '.join(known.values())}"
        state = raise_on(state, item, "released-while-blocked", detail, *known)
    for entry, what in unknown.items():
        detail = f"{what} was there when release {body.release} was signed, and not known: tell who has the unit"
        doubt = Raised(
            code="released-then-defect",
            entry=entry,
            at=item.at,
            entries=(entry, item.entry.id),
            detail=detail,
            index=item.touched,
        )
        state = replace(state, raised=with_one(state.raised, doubt.key, doubt))
    released = Released(
        release=body.release,
        entry=item.entry.id,
        at=item.at,
        proved=proved,
        index=item.entry.index,
        nth=item.entry.device_seq,
        gated=item.entry.body.certificate is not None,
        past=item.entry.source_kind in ("history", "import"),
        unheard=max((late.index for late in item.unheard), default=-1),
        job=job,
    )
    return replace(state, released=released)


def _knew(item: Item, seen: int | None, index: int) -> bool:
    """Who signed knew of the entry at `index`: it was in what they had seen, or heard of before the signature."""
    return index < (item.entry.index if seen is None else seen)


def _in_the_way(
    state: UnitState, body: UnitReleased, knew: Callable[[int], bool]
) -> tuple[dict[str, str], dict[str, str]]:
    """What by the page alone stands against a release, by entry: what was known to who signed, and what was not."""
    conceded = {state.concessions[name].for_.finding for name in body.concessions or () if name in state.concessions}
    found = {f.entry: (f.index, f"finding {f.finding}") for f in state.findings.values() if f.blocking}
    found = {e: what for e, what in found.items() if what[1].removeprefix("finding ") not in conceded}
    found |= {h.entry: (h.index, f"hold {h.hold}") for h in state.holds.values()}
    found |= {
        r.entry: (r.index, r.code)
        for r in state.raised.values()
        if KINDS[r.code].holds_release and r.code not in OF_A_RELEASE
    }
    known = {entry: what for entry, (index, what) in found.items() if knew(index)}
    unknown = {e: what for e, (_, what) in found.items() if e not in known}
    return known, {e: what for e, what in unknown.items() if what != "disputed"}  # no defect: it overtakes the verdict


def _late_for(state: UnitState, item: Item, body: UnitReleased, blocking: Collection[str]) -> UnitState:
    """Facts from before the release that were heard of, or corrected, after it was signed; what blocks is more."""
    disputes = {entry for r in state.raised.values() if r.code == "disputed" for entry in r.entries if entry != r.entry}
    for late in item.unheard:
        if late.fact in blocking or late.raised_by in disputes:
            continue
        detail = f"arrived after release {body.release}, and happened before it"
        doubt = Raised(
            code="late-after-release",
            entry=late.raised_by,
            at=item.at,
            entries=tuple(dict.fromkeys((late.fact, late.raised_by, item.entry.id))),
            detail=detail,
            index=late.index,
        )
        state = replace(state, raised=with_one(state.raised, doubt.key, doubt))
    return state


@on("concession.granted")
def _conceded(state: UnitState, item: Item, body: ConcessionGranted) -> UnitState:
    concession = OpenConcession(
        concession=body.concession,
        entry=item.entry.id,
        at=item.at,
        for_=body.for_,
        why=body.why,
        until_on=body.until_on,
        until_hours=body.until_hours,
    )
    name = body.concession if body.concession not in state.concessions else item.entry.id
    return replace(state, concessions=with_one(state.concessions, name, concession))


@on("concession.ended")
def _concession_ended(state: UnitState, item: Item, body: ConcessionEnded) -> UnitState:
    return replace(state, concessions=without_one(state.concessions, body.concession))


@on("hold.placed")
def _held(state: UnitState, item: Item, body: HoldPlaced) -> UnitState:
    hold = OpenHold(
        hold=body.hold,
        entry=item.entry.id,
        at=item.at,
        why=body.why,
        lift_by=body.lift_by,
        index=item.entry.index,
    )
    name = body.hold if body.hold not in state.holds else item.entry.id  # both live; the second goes by its entry
    return replace(state, holds=with_one(state.holds, name, hold))


LIFTABLE = (  # discrepancies that somebody may end by their key (CONTRACT F)
    "meter-too-fast",
    "wear-improved",
    "readings-disagree",
    "duplicate-suspected",
    "place-impossible",
    "piece-gap",
    "scan-after-scrap",
    "late-after-release",
)


@on("hold.lifted")
def _lifted(state: UnitState, item: Item, body: HoldLifted) -> UnitState:
    state = replace(state, holds=without_one(state.holds, body.hold))
    code, _, entry = body.hold.partition(":")
    if code not in LIFTABLE:
        return state
    state = settle(state, body.hold)
    return _lifted_reading(state, code, entry) if code in ("wear-improved", "readings-disagree") else state


def _lifted_reading(state: UnitState, code: str, entry: str) -> UnitState:
    """A doubt that is joined from a sheet is lifted on the reading that raised it."""

    def lift(taken: Taken) -> Taken:
        return replace(taken, lifted=(*taken.lifted, code)) if taken.entry == entry else taken

    for name, known in state.measured.items():
        if entry in (known.latest.entry, *(t.entry for t in known.before)):
            after = replace(known, latest=lift(known.latest), before=tuple(map(lift, known.before)))
            return replace(state, measured=state.measured | {name: after})
    return state


@on("exam.recorded")
def _examined(state: UnitState, item: Item, body: ExamRecorded) -> UnitState:
    exam = Exam(
        exam=body.exam,
        entry=item.entry.id,
        at=item.at,
        result=body.result,
        due_next=body.due_next,
        examiner=body.examiner,
        certificate=body.certificate,
    )
    state = replace(state, exams=with_one(state.exams, body.exam, exam))
    ended = [k for k, r in state.raised.items() if r.code == "exam-against-defect"]
    state = settle(state, *ended)
    open_ = [f.entry for f in state.findings.values() if f.blocking]
    if body.result != "pass" or not open_:
        return state
    return raise_on(state, item, "exam-against-defect", "it says safe while a defect is open: the defect rules", *open_)
