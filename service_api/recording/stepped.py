"""The states that were needed last, each with its tail: as many as there is room for, however large they are."""

from collections import OrderedDict
from typing import NamedTuple

from service_api.domain.state import UnitState
from service_api.late import Tail
from service_api.projections.units import packed_size

ROOM = 8_000_000  # characters of the states' text; a state and its tail take some eight times that in memory


class Kept(NamedTuple):
    state: UnitState
    tail: Tail | None
    size: int


class Stepped:
    """By unit. Where there is no room, what nobody asked for goes first; its next entry reads its row again."""

    def __init__(self, room: int = ROOM) -> None:
        self.room, self.size = room, 0
        self._kept: OrderedDict[str, Kept] = OrderedDict()

    def __contains__(self, unit: str) -> bool:
        return unit in self._kept

    def get(self, unit: str) -> Kept | None:
        found = self._kept.get(unit)
        if found is not None:
            self._kept.move_to_end(unit)
        return found

    def put(self, unit: str, state: UnitState, tail: Tail | None) -> None:
        self.pop(unit)
        size = packed_size(state)
        self._kept[unit] = Kept(state, tail, size)
        self.size += size
        while self.size > self.room and self._kept:
            self.size -= self._kept.popitem(last=False)[1].size

    def pop(self, unit: str, default: None = None) -> Kept | None:
        found = self._kept.pop(unit, default)
        if found is not None:
            self.size -= found.size
        return found

    def clear(self) -> None:
        self._kept.clear()
        self.size = 0
