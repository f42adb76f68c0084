"""The same thing told twice: two people, or two devices, log one piece of work within minutes (JOB.md 4.3, row 1)."""

from datetime import datetime, timedelta
from hashlib import sha256

import orjson

from service_api.domain.records import record
from service_api.domain.timeline import Item

WINDOW = timedelta(minutes=30)  # CONTRACT F
MOST = 32  # facts of one unit in the window that are remembered, so that a flood leaves the state small
# What is told once. A scan may come twice, every signature counts, and an opening of the same id is `id-taken`.
TOLD_ONCE = frozenset((
    "unit.received", "unit.dispatched", "unit.moved", "unit.sold", "meter.read", "meter.replaced", "meter.rolled",
    "complaint.worked", "check.answered", "reading.taken", "work.done", "setting.left", "part.fitted", "part.removed",
    "rebuild.completed", "service.planned", "energy.isolated", "energy.restored", "gauge.calibrated", "gauge.checked",
    "gauge.mishandled",
))  # fmt: skip


@record(kw_only=True)
class Told:
    """A fact of the last minutes: `what` stands for its type and data."""

    what: str
    entry: str
    at: datetime
    by: str
    device: str | None = None


def told(item: Item) -> Told:
    entry = item.entry
    said = orjson.dumps([entry.type, item.data], option=orjson.OPT_SORT_KEYS)
    device = entry.device.id if entry.device else None
    return Told(what=sha256(said).hexdigest()[:16], entry=entry.id, at=item.at, by=entry.by, device=device)


def remembered(recent: tuple[Told, ...], item: Item) -> tuple[tuple[Told, ...], tuple[str, ...]]:
    """What is remembered after this fact, and the entries that it repeats: by another person, or another device."""
    if item.entry.type not in TOLD_ONCE:
        return recent, ()
    now, near = told(item), recent  # in the order of the moments
    if near and now.at - near[0].at > WINDOW:
        near = tuple([t for t in near if now.at - t.at <= WINDOW])
    what, by, device = now.what, now.by, now.device
    same = [t.entry for t in near if t.what == what and (t.by != by or t.device != device)]
    return (*near, now)[-MOST:], tuple(same)
