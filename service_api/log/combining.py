"""Group commit: whoever finds the door open commits everything queued; the others find themselves done.

No timer and no thread of its own. Alone, a caller commits at once; under load a batch is whatever arrived while the
commit before was under way. The door is handed to the first of those who still wait, so nobody waits for ever.
"""

import threading
from collections import deque
from collections.abc import Callable, Sequence
from typing import Generic, TypeVar

Item = TypeVar("Item")
Result = TypeVar("Result")

MOST = 200  # callers in one commit


class _Slot(Generic[Item, Result]):
    __slots__ = ("done", "error", "item", "result", "wake")

    def __init__(self, item: Item) -> None:
        self.item = item
        self.wake = threading.Lock()
        self.wake.acquire()
        self.done = False
        self.result: Result | None = None
        self.error: BaseException | None = None


class Combiner(Generic[Item, Result]):
    """`work` does a whole batch in one transaction and answers one result per item, in order.

    When it raises, every caller of that batch gets the error; none of the batch was done.
    """

    def __init__(self, work: Callable[[Sequence[Item]], Sequence[Result]]) -> None:
        self._work = work
        self._guard = threading.Lock()
        self._queue: deque[_Slot[Item, Result]] = deque()
        self._busy = False

    def submit(self, item: Item) -> Result:
        """The result for this item, once the batch that it was part of is done."""
        slot: _Slot[Item, Result] = _Slot(item)
        with self._guard:
            self._queue.append(slot)
            leads = not self._busy
            self._busy = True
        if not leads:
            slot.wake.acquire()  # released when the work is done, or when it is this caller's turn to lead
        if not slot.done:
            self._lead()
        if slot.error is not None:
            raise slot.error
        return slot.result  # type: ignore[return-value]

    def _lead(self) -> None:
        """Do one batch, in which this caller's own item is, then hand the door on."""
        with self._guard:
            batch = [self._queue.popleft() for _ in range(min(len(self._queue), MOST))]
        try:
            results = self._work([slot.item for slot in batch])
            for slot, result in zip(batch, results, strict=True):
                slot.result = result
        except BaseException as error:
            for slot in batch:
                slot.error = error
        with self._guard:
            following = self._queue[0] if self._queue else None
            self._busy = following is not None
        for slot in batch:
            slot.done = True
            slot.wake.release()
        if following is not None:
            following.wake.release()
