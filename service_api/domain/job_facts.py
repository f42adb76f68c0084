"""What one job says to the gate: answers, stand runs, the last thing that was changed, and whose hands did it."""

from collections.abc import Iterable
from dataclasses import field

from service_api.domain.fold.jobs import LOOKING
from service_api.domain.records import record
from service_api.domain.timeline import Item

CHANGING = ("part.fitted", "part.removed", "work.done", "setting.left", "rebuild.completed")
# All types that `job_facts` looks at
SAYING = (*CHANGING, "job.opened", "check.answered", "run.recorded", "finding.closed")


@record
class JobFacts:
    """opened : somebody opened it on the unit
    answers : the last to each check
    runs : of every stage, failed ones too, in order
    changed : the last part, work or setting; a look that changes nothing is none
    hands : who did such work, and the entries that say so
    closed : findings that somebody closed, in this job or in another
    index : the highest of the entries that had a say; -1 for none
    """

    opened: bool = False
    answers: dict[str, Item] = field(default_factory=dict)
    runs: tuple[Item, ...] = ()
    changed: Item | None = None
    hands: dict[str, tuple[str, ...]] = field(default_factory=dict)
    settings: tuple[Item, ...] = ()
    closed: frozenset[str] = frozenset()
    index: int = -1


def changes(item: Item) -> bool:
    return item.entry.type in CHANGING and not (item.entry.type == "work.done" and item.body.activity in LOOKING)


def job_facts(facts: Iterable[Item]) -> JobFacts:
    """facts : those of the job on one unit, in the order of the corrected moment"""
    answers: dict[str, Item] = {}
    hands: dict[str, tuple[str, ...]] = {}
    runs, settings, closed = [], [], set()
    opened, changed, index = False, None, -1
    for item in facts:
        if changes(item):
            changed = item
            hands[item.entry.by] = (*hands.get(item.entry.by, ()), item.entry.id)
        match item.entry.type:
            case "job.opened":
                opened = True
            case "check.answered":
                answers[item.body.check] = item
            case "run.recorded":
                runs.append(item)
            case "setting.left":
                settings.append(item)
            case "finding.closed":
                closed.add(item.body.finding)
        index = max(index, item.touched)
    return JobFacts(opened, answers, tuple(runs), changed, hands, tuple(settings), frozenset(closed), index)
