"""Which of a sheet's cautions belong to what is going on at a unit (JOB.md section 7): the right few, never all.

A caution belongs to purpose, slot, activity and energy of the open jobs; everything that its `when` states has to fit.
"""

from collections.abc import Iterable

from service_api.domain.context import Context
from service_api.domain.entries.jobs import EnergyIsolated, EnergyRestored, RunRecorded, SettingLeft, WorkDone
from service_api.domain.entries.parts import PartFitted, PartRemoved
from service_api.domain.records import record
from service_api.domain.sheets import CautionWhen, applies
from service_api.domain.state import UnitState
from service_api.domain.timeline import Item

TELLING = (
    *("work.done", "setting.left", "part.fitted", "part.removed", "run.recorded"),
    *("energy.isolated", "energy.restored"),
)
TEST, REPLACE = "AC-TST", "AC-RPL"
CHANGED_NOTHING = ("AC-INS", "AC-MEA", TEST, "AC-NIL")


@record(kw_only=True)
class CautionAnswer:
    caution: str
    words: str
    rests_on: str
    revision: int


@record
class UnderWay:
    """What is done in the open jobs, or about to be. energies : sources that are isolated and not restored"""

    activities: frozenset[str] = frozenset()
    slots: frozenset[str] = frozenset()
    energies: frozenset[str] = frozenset()


NOTHING = UnderWay()


def under_way(facts: Iterable[Item], final_run: bool, activity: str | None = None, slot: str | None = None) -> UnderWay:
    """facts : of the open jobs, in order; final_run : the sheet asks for one, so that it follows on any change

    activity, slot : what somebody is about to do
    """
    activities = {activity} if activity else set()
    slots = {slot} if slot else set()
    energies: set[str] = set()
    to_be_run = False
    for item in facts:
        match item.body:
            case WorkDone(activity=done, slot=at):
                activities.add(done)
                slots |= {at} if at else set()
                to_be_run |= done not in CHANGED_NOTHING
            case PartFitted(slot=at) | PartRemoved(slot=at):
                activities.add(REPLACE)
                slots.add(at)
                to_be_run = True
            case SettingLeft():
                to_be_run = True
            case RunRecorded():
                activities.add(TEST)
                to_be_run = False
            case EnergyIsolated(source=source):
                energies.add(source)
            case EnergyRestored(source=source):
                energies.discard(source)
                activities.add(TEST)  # what comes next is a run
    if to_be_run and final_run:
        activities.add(TEST)
    return UnderWay(frozenset(activities), frozenset(slots), frozenset(energies))


def cautions(state: UnitState, context: Context, here: UnderWay = NOTHING) -> list[CautionAnswer]:
    """Of the revision in force, in its order."""
    revision = context.in_force(context.on)
    if revision is None:
        return []
    variant = state.identity.variant if state.identity else None
    purposes = {job.purpose for job in state.jobs.values()}
    slots = {f.slot for f in state.findings.values()} | {x.slot for x in state.complaints.values()} | here.slots

    def fits(when: CautionWhen) -> bool:
        return (
            applies(when, variant)
            and (not when.purposes or bool(purposes & set(when.purposes)))
            and (not when.slots or bool(slots & set(when.slots)))
            and (not when.activities or bool(here.activities & set(when.activities)))
            and (not when.energies or bool(here.energies & set(when.energies)))
        )

    return [
        CautionAnswer(caution=c.caution, words=c.words, rests_on=c.rests_on, revision=revision.rev)
        for c in revision.sheet.cautions or ()
        if fits(c.when)
    ]
