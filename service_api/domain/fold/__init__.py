"""The fold of a page into a unit's state: a pure step per fact, in the order of the corrected moment.

What every fact may raise is in `every`; what a type moves, in the file of its subject, by a handler under `@on`.
"""

from service_api.domain import twins
from service_api.domain.fold import jobs, meters, parts, places, readings, releases
from service_api.domain.fold.every import remark
from service_api.domain.fold.handlers import HANDLERS
from service_api.domain.records import replace
from service_api.domain.state import UnitState
from service_api.domain.timeline import Item

__all__ = ("jobs", "meters", "parts", "places", "readings", "releases", "step")


def step(state: UnitState, item: Item) -> UnitState:
    """The state after one more fact. Facts come in the order of the corrected moment."""
    entry = item.entry
    recent, twice = twins.remembered(state.recent, item)
    after = replace(
        state,
        entries=state.entries + 1,
        index=max(state.index, item.touched),
        head_at=item.at,
        head_seq=entry.device_seq,
        head_index=entry.index,
        recent=recent,
    )
    after = remark(after, item, twice)
    handler = HANDLERS.get(entry.type)
    return handler(after, item, item.body) if handler else after
