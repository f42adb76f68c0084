"""Where questions are answered: projections and log in, domain answers out. It writes nothing.

What only one kind of answer needs is imported with the first of them, so that a start is short.
"""

from functools import cached_property
from typing import TYPE_CHECKING, Any

from service_api.answering.asking import NOW, When
from service_api.answering.devices import DeviceAnswers
from service_api.answering.entries import EntryAnswers
from service_api.answering.gauges import GaugeAnswers
from service_api.answering.held import HeldAnswers
from service_api.answering.jobs import JobAnswers
from service_api.answering.parts import PartAnswers
from service_api.answering.releases import ReleaseAnswers
from service_api.answering.tags import TagAnswers
from service_api.answering.typed import TypedAnswers
from service_api.answering.units import UnitAnswers

if TYPE_CHECKING:
    from service_api.domain.due import Wanted
    from service_api.falling_due import FallingDue
    from service_api.fleet import Fleet


class Answers(
    UnitAnswers,
    PartAnswers,
    TagAnswers,
    HeldAnswers,
    JobAnswers,
    ReleaseAnswers,
    EntryAnswers,
    TypedAnswers,
    GaugeAnswers,
    DeviceAnswers,
):
    """Answers for one book. Many threads may ask."""

    @cached_property
    def fleet(self) -> "Fleet":
        """Questions over all units. What only they need is imported with the first of them."""
        from service_api.fleet import Fleet

        return Fleet(self)

    @cached_property
    def falling_due(self) -> "FallingDue":
        """What falls due over the fleet."""
        from service_api.falling_due import FallingDue

        return FallingDue(self)

    def units(self, after: str, limit: int, class_: str | None, when: When = NOW) -> tuple[list[bytes], str | None]:
        """The lines of a page of units by number; of then they are made anew."""
        if when.now:
            return super().units(after, limit, class_)
        with self.engine.begin() as connection:
            known = self.count(connection, when)
            states, more = self._fleet(connection, when, known, after, limit, class_)
            return [self._line(*one) for one in self._all_joined(connection, states, when, known)], more

    def due(self, wanted: "Wanted", when: When, start: int, limit: int) -> dict[str, Any]:
        return self.falling_due.page(wanted, when, start, limit)
