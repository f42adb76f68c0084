"""Where a unit was seen: at two sites too soon, or on our bench while it is out (JOB.md 4.4, rows 5 and 6)."""

from datetime import datetime, timedelta

from service_api.domain.entry import Recorded
from service_api.domain.records import record

TRAVEL = timedelta(minutes=60)  # CONTRACT F: two sites within 60 min
# Who does this has the unit in front of them
AT_HAND = frozenset((
    "tag.scanned", "tag.attached", "job.opened", "energy.isolated", "check.answered", "reading.taken", "work.done",
    "setting.left", "run.recorded", "part.fitted", "part.removed", "rebuild.completed", "unit.moved", "exam.recorded",
))  # fmt: skip


@record(kw_only=True)
class Sighting:
    """The last site at which the unit was seen by somebody who wrote it down there and then."""

    site: str
    at: datetime
    entry: str


def scanned(entry: Recorded) -> bool:
    """Somebody read the label on the unit, there and then; a label typed from a card proves no place."""
    label = entry.type == "tag.scanned" or entry.tag_read == "scanned"
    return label and entry.site is not None and entry.source_kind == "live"


def too_soon(before: Sighting | None, site: str, at: datetime) -> bool:
    """Nobody gets from the one site to the other in that time."""
    return before is not None and before.site != site and at - before.at < TRAVEL


def here(entry: Recorded, sent_to: str | None) -> bool:
    """The entry was written where the unit was sent away from, as far as it says.

    sent_to : the site of the open dispatch. A bench is ours, and so is any other site; a scan that names no place is
        taken for one of ours where the dispatch names none either
    """
    if entry.type not in AT_HAND or entry.source_kind != "live":
        return False
    if entry.site is not None and entry.site == sent_to:
        return False
    return entry.bench is not None or entry.site is not None or (entry.type == "tag.scanned" and sent_to is None)
