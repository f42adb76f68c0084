"""What a person may do on a day: their authorisations by class and task (DESIGN section 5, people)."""

from collections.abc import Iterator
from datetime import date

from service_api.domain.records import record


@record
class Grant:
    entry: str
    index: int
    classes: tuple[str, ...]
    tasks: tuple[str, ...]
    from_on: date
    until_on: date | None
    level: str | None = None

    def covers(self, task: str, class_: str, day: date) -> bool:
        """`until_on` is inclusive (CONTRACT B)."""
        in_time = self.from_on <= day and (self.until_on is None or day <= self.until_on)
        return in_time and task in self.tasks and (class_ in self.classes or "*" in self.classes)


@record
class End:
    """`on` is the first day without (CONTRACT C)."""

    entry: str
    index: int
    tasks: tuple[str, ...]
    on: date

    def ends(self, grant: Grant, task: str, day: date) -> bool:
        """A grant from a later day, or of the same day and heard of later, is a new one."""
        return task in self.tasks and self.on <= day and (grant.from_on, grant.index) < (self.on, self.index)


@record
class Authorisations:
    """Of one person, as far as they were known. index : the highest among the entries they rest on; -1 for none."""

    person: str
    grants: tuple[Grant, ...] = ()
    ends: tuple[End, ...] = ()
    index: int = -1

    def allow(self, task: str, class_: str, day: date) -> bool:
        """Whether the person may do the task on units of the class on this day."""
        return next(self.live(task, class_, day), None) is not None

    def live(self, task: str, class_: str, day: date) -> Iterator[Grant]:
        """The grants under which they may."""
        for grant in self.grants:
            if grant.covers(task, class_, day) and not any(end.ends(grant, task, day) for end in self.ends):
                yield grant

    def why_not(self, task: str, class_: str, day: date) -> tuple[str, tuple[str, ...]]:
        """Why they may not, in words, and the entries that say so."""
        named = [g for g in self.grants if task in g.tasks and (class_ in g.classes or "*" in g.classes)]
        if not named:
            return f"never authorised for `{task}` on {class_}", ()
        begun = [g for g in named if g.from_on <= day]
        if not begun:
            first = min(named, key=lambda g: g.from_on)
            return f"authorised from {first.from_on.isoformat()} only", (first.entry,)
        last = max(begun, key=lambda g: (g.from_on, g.index))
        ended = [e for e in self.ends if e.ends(last, task, day)]
        if ended:
            end = min(ended, key=lambda e: e.on)
            return f"the authorisation ended on {end.on.isoformat()}", (last.entry, end.entry)
        until = last.until_on.isoformat() if last.until_on else ""
        return f"the authorisation ran until {until}", (last.entry,)
