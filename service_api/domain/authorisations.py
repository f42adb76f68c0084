"""What a person may do on a day: their authorisations by class and task (DESIGN section 5, people)."""

from dataclasses import dataclass
from datetime import date


@dataclass(frozen=True)
class Grant:
    entry: str
    index: int
    classes: tuple[str, ...]
    tasks: tuple[str, ...]
    from_on: date
    until_on: date | None

    def covers(self, task: str, class_: str, day: date) -> bool:
        """`until_on` is inclusive (CONTRACT B)."""
        in_time = self.from_on <= day and (self.until_on is None or day <= self.until_on)
        return in_time and task in self.tasks and (class_ in self.classes or "*" in self.classes)


@dataclass(frozen=True)
class End:
    """`on` is the first day without (CONTRACT C)."""

    entry: str
    index: int
    tasks: tuple[str, ...]
    on: date

    def ends(self, grant: Grant, task: str, day: date) -> bool:
        """A grant from a later day, or of the same day and heard of later, is a new one."""
        return task in self.tasks and self.on <= day and (grant.from_on, grant.index) < (self.on, self.index)


@dataclass(frozen=True)
class Authorisations:
    """Of one person, as far as they were known. index : the highest among the entries they rest on; -1 for none."""

    person: str
    grants: tuple[Grant, ...] = ()
    ends: tuple[End, ...] = ()
    index: int = -1

    def allow(self, task: str, class_: str, day: date) -> bool:
        """Whether the person may do the task on units of the class on this day."""
        return any(
            grant.covers(task, class_, day) and not any(end.ends(grant, task, day) for end in self.ends)
            for grant in self.grants
        )
