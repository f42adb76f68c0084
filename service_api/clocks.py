"""Whether the machine's clock can be believed. Nothing here reads a clock: both readings are arguments.

It is held against a clock that counts on through sleep and that nobody sets. When the two part by more than `STEP`, or
when at the start it is earlier than the book's last entry by more than that, the clock is in doubt until somebody
confirms it (DESIGN section 4).
"""

import logging
from collections.abc import Callable
from datetime import datetime, timedelta
from typing import NamedTuple

from service_api.domain.moments import parse
from service_api.domain.refusals import ClockDoubt

STEP = timedelta(minutes=5)
log = logging.getLogger("fettlebook")


class Reading(NamedTuple):
    """Both clocks at one moment.

    now : what the machine says
    counted : seconds since some moment, sleep included
    """

    now: datetime
    counted: float

    @property
    def apart(self) -> float:
        """Seconds from the one to the other; the same for ever while nobody sets the clock."""
        return self.now.timestamp() - self.counted


class ClockWatch:
    """One book's belief in the machine's clock, from its first reading on; many threads may ask.

    confirmed : the reading that somebody confirmed last; looked up while the clock is in doubt only
    not_before : what the book knows to have passed (UTC text); empty for nothing
    """

    def __init__(self, began: Reading, confirmed: Callable[[], Reading | None], not_before: str = "") -> None:
        self._began, self._confirmed = began, confirmed
        self._doubt, self._not_before = "", began.now
        if not_before and (early := parse(not_before) - began.now) > STEP:
            self._doubt = f"is {_span(early)} earlier than the book's last entry"
            self._not_before = parse(not_before)

    def check(self, now: datetime, counted: float) -> None:
        """Raises ClockDoubt while the clock is in doubt."""
        began = self._began
        step = (now - began.now).total_seconds() - (counted - began.counted)
        if self._doubt or not -_STEP_S <= step <= _STEP_S:
            self._look(Reading(now, counted), step)

    def passed(self, now: datetime, counted: float) -> datetime:
        """The latest moment that has passed by any clock believed: what ran out does not come back with a clock."""
        return max(now, self._not_before, self._began.now + timedelta(seconds=counted - self._began.counted))

    def _look(self, reading: Reading, step: float) -> None:
        """Begin anew from this reading if the clocks are as far apart as when somebody confirmed them."""
        if not self._doubt:
            way = "forward" if step > 0 else "back"
            self._doubt = f"was set {way} by {_span(timedelta(seconds=abs(step)))} while the service ran"
            log.error("the machine's clock %s", self._doubt)
        confirmed = self._confirmed()
        if confirmed is None or abs(confirmed.apart - reading.apart) > _STEP_S:
            raise ClockDoubt(f"the machine's clock {self._doubt}; nothing is written until it is confirmed")
        self._began, self._doubt, self._not_before = reading, "", reading.now


_STEP_S = STEP.total_seconds()


def _span(span: timedelta) -> str:
    return str(timedelta(seconds=round(span.total_seconds())))
