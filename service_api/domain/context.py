"""What a unit's answer leans on beside its own page: its class's sheet revisions, the gauges that were used,
the open alerts, and what the people who signed were authorised to do."""

from collections.abc import Sequence
from dataclasses import field
from datetime import date, datetime

from service_api.domain import moments
from service_api.domain.alerts import Alert
from service_api.domain.authorisations import Authorisations
from service_api.domain.discrepancies import Discrepancy
from service_api.domain.gauges import GaugeRecord
from service_api.domain.hours import Hours
from service_api.domain.records import record
from service_api.domain.sheets import Sheet
from service_api.domain.stays import Host

RULES = 1  # the number of the computing rules; it goes up when the same entries would give another answer


@record
class SheetRevision:
    """One issued revision of a class's sheet."""

    class_: str
    rev: int
    effective_on: date
    sheet: Sheet
    entry: str
    index: int


Against = tuple[str, tuple[str, ...]]  # why something stands against a release, and the entries that say so


@record
class Judged:
    """The release that stands, asked of the gate again for its own moment.

    known : what stood against it and was known to who signed; now : what does by all that is known
    """

    known: tuple[Against, ...]
    now: tuple[Against, ...]


@record
class Context:
    """The part of the book around one unit, cut to what was known."""

    zone: str
    on: date
    true_at: datetime | None = None
    known_index: int | None = None
    sheets: tuple[SheetRevision, ...] = ()
    gauges: dict[str, GaugeRecord] = field(default_factory=dict)
    alerts: tuple[Alert, ...] = ()
    authorised: dict[str, Authorisations] = field(default_factory=dict)  # of those who signed for the unit
    beside: tuple[Discrepancy, ...] = ()  # what stands between this unit and others
    carried: dict[str, Hours] = field(default_factory=dict)  # by fit: what its pieces had run before it
    host: Host | None = None  # where the unit is fitted, when it is an assembly
    hours: Hours | None = None  # of an assembly without a meter, by the machines that held it
    judged: Judged | None = None  # None where nothing was heard of that the gate had not known
    index: int = -1  # the highest among the entries of the context, closed alerts and struck sheets included

    def day(self, moment: datetime) -> date:
        return moments.day_in(moment, self.zone)

    def begins(self, day: date) -> datetime:
        """The first moment of a local day of the book."""
        return moments.day_begins(day, self.zone)

    def in_force(self, on: date) -> SheetRevision | None:
        """The sheet revision in force on a day: the latest effective, the highest number of one day."""
        return in_force(self.sheets, on)

    def stated(self, rev: int | None) -> SheetRevision | None:
        return next((s for s in reversed(self.sheets) if s.rev == rev), None)


def in_force(sheets: Sequence[SheetRevision], on: date) -> SheetRevision | None:
    begun = [s for s in sheets if s.effective_on <= on]
    return max(begun, key=lambda s: (s.effective_on, s.rev, s.index), default=None)
