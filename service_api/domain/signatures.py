"""The audit of signatures: who signed that a unit may leave, and whether they might that day (JOB.md 1.24, 4.4)."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import date, datetime

from service_api.domain.authorisations import Authorisations
from service_api.domain.condition import AsOf
from service_api.domain.records import record
from service_api.domain.timeline import Item

TYPES = ("unit.released", "release.reissued")


@record
class Signed:
    """One signature: `task` is `release`, or `second` of whoever signed beside."""

    entry: str
    person: str
    task: str
    at: datetime
    release: str


@record(kw_only=True)
class Unauthorised:
    """A signature that nobody had allowed on its day.

    entries : what says so: the grant that had run out, its end
    put_right_by : the next signature for the same task on the unit by somebody authorised; None while there is none
    """

    entry: str
    person: str
    unit: str
    class_: str
    task: str
    on: str
    why: str
    release: str
    put_right_by: str | None
    entries: tuple[str, ...]


@record(kw_only=True)
class SignatureAudit:
    """`signed` counts every signature on a release or its re-issue in these days, both ends inside."""

    from_: str | None
    until: str
    as_of: AsOf
    signed: int
    unauthorised: tuple[Unauthorised, ...]


def signed_on(facts: Sequence[Item]) -> tuple[Signed, ...]:
    """The signatures of a unit's page, in order."""
    found = []
    for item in facts:
        if item.entry.type not in TYPES:
            continue
        entry, release = item.entry, item.body.release
        found.append(Signed(entry.id, entry.by, "release", item.at, release))
        second = item.data.get("second")
        if second is not None:
            found.append(Signed(entry.id, second, "second", item.at, release))
    return tuple(found)


def unauthorised(
    unit: str,
    class_: str,
    signatures: Sequence[Signed],
    granted: Mapping[str, Authorisations],
    day: Callable[[datetime], date],
    within: Callable[[date], bool],
) -> Iterable[Unauthorised]:
    """The signatures of a unit, on days that `within` takes, whose person was not authorised on that day."""
    allowed = [granted[s.person].allow(s.task, class_, day(s.at)) for s in signatures]
    for place, (signature, allows) in enumerate(zip(signatures, allowed, strict=True)):
        if allows or not within(day(signature.at)):
            continue
        later = zip(signatures[place + 1 :], allowed[place + 1 :], strict=True)
        right = (s.entry for s, good in later if good and s.task == signature.task and s.entry != signature.entry)
        why, entries = granted[signature.person].why_not(signature.task, class_, day(signature.at))
        yield Unauthorised(
            entry=signature.entry,
            person=signature.person,
            unit=unit,
            class_=class_,
            task=signature.task,
            on=day(signature.at).isoformat(),
            why=why,
            release=signature.release,
            put_right_by=next(right, None),
            entries=entries,
        )
