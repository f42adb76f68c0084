"""Where an entry is filed: under which topics it is found, on which pages a correction shows. Appending and redrawing
both ask here.
"""

from collections.abc import Callable, Iterable
from functools import cache

from sqlalchemy import Connection

from service_api.domain import tags
from service_api.domain.custody import NAMING_PARTIES, parties_by
from service_api.domain.entries.registry import TYPES
from service_api.domain.entry import Recorded
from service_api.domain.job_facts import SAYING
from service_api.domain.references import named_as
from service_api.domain.timeline import moved_to
from service_api.pages import read_entries
from service_api.projections import units
from service_api.projections.changes import CONTEXT, Change
from service_api.projections.units import DRAWN, NAMED, OWN, Topic, Write

CONTEXT_KINDS = ("class", "alert", "shop")
TAGGING = ("tag.attached", "tag.detached")


def own_topics(book: int, entries: Iterable[Recorded]) -> Write:
    """Where entries are found by themselves."""
    return Write(
        units.TOPIC,
        [(book, topic, e.index, relation, e.type) for e in entries for topic, relation in topics_of(e).items()],
    )


def topics_of(entry: Recorded) -> dict[str, int]:
    """By topic, how an entry stands under it: its subject, whom it names, its jobs, its tag, whose a unit becomes.

    What a job says to the gate is found apart from the rest of the job.
    """
    kind, subject, job = entry.type, entry.subject, entry.job
    found = named_as(entry, NAMED)
    found[subject] = OWN
    about = entry.data.get("job")
    for name in (job,) if about == job else (job, about):
        if name:
            found[f"job:{name}"] = OWN
            if kind in SAYING:
                found[f"gate:{name}"] = OWN
    if kind in TAGGING:
        found[f"tag:{tags.normal(entry.body.tag)}"] = OWN
    if kind in NAMING_PARTIES:
        found |= {f"party:{party}": OWN for party in parties_by(entry)}
    if subject.startswith("alert:"):
        found["alerts"] = OWN
    return found


def root_of(entry: Recorded, find: Callable[[str], Recorded | None]) -> Recorded:
    """The fact that a correction is about, through corrections of corrections; of a fact, the fact itself."""
    while TYPES[entry.type].corrects:
        target = find(entry.data["target"])
        if target is None:
            raise RuntimeError(f"the target of {entry.id} is gone")
        entry = target
    return entry


def is_context(fact: Recorded) -> bool:
    """Other units' answers lean on it and on its corrections: a sheet, an alert, a gauge, a right to sign."""
    return fact.kind in CONTEXT_KINDS or is_leant_on(fact.type)


@cache
def is_leant_on(kind: str) -> bool:
    return kind.startswith(("gauge.", "authorisation."))


def family_topic(entry: Recorded, root: Recorded) -> Topic:
    """Where a correction is found by the fact that it is about in the end."""
    return Topic(f"fact:{root.id}", entry.index, OWN, entry.type)


def family_of(connection: Connection, book: int, root: Recorded, known: int | None = None) -> list[Recorded]:
    """All corrections of a fact, and corrections of those, in the order of the book."""
    return read_entries(connection, book, units.indexes(connection, book, f"fact:{root.id}", below=known))


def drawn_topics(connection: Connection, book: int, entry: Recorded, root: Recorded) -> list[Topic]:
    """A correction is drawn to every page that shows its root fact; a move draws the fact and its corrections.

    The topics of the entries up to this one have to be written before; those of later ones make no difference.
    """
    known = entry.index + 1
    topics = [
        Topic(page, entry.index, DRAWN, entry.type)
        for page in pages_of(connection, book, root, known)
        if page != entry.subject
    ]
    family = family_of(connection, book, root, known)
    to = moved_to(entry, {e.id: e for e in family})
    if to is not None:
        topics += [Topic(to, e.index, DRAWN, e.type) for e in (root, *family)]
    return topics


def pages_of(connection: Connection, book: int, root: Recorded, known: int | None = None) -> set[str]:
    """The subjects whose history shows this fact, struck or not, as far as the first `known` entries say."""
    family = family_of(connection, book, root, known)
    moves = {e.id: e for e in family}
    return {root.subject, *(moved_to(e, moves) or root.subject for e in family)}


def own_changes(fact: Recorded) -> list[Change]:
    """What a fact may have changed, and of which unit; one row without a unit for a change of context."""
    leans, moves = aspects_of(fact.type)
    found = [Change(fact.index, CONTEXT, leans)] if leans else []
    if moves and fact.kind == "unit":
        found.append(Change(fact.index, fact.subject_id, moves))
    return found


@cache
def aspects_of(kind: str) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """What an entry of this type may move on the units that lean on it, and on its own unit."""
    from service_api.domain.changes import LEANS, MOVES  # asking, which imports this file too, needs none of it

    return LEANS.get(kind, ()), MOVES.get(kind, ())


def changes_of(connection: Connection, book: int, entry: Recorded, root: Recorded) -> list[Change]:
    """Which units an entry may have changed, and in what.

    root : the entry itself, or the fact that a correction is about in the end
    """
    if entry is root:
        return own_changes(entry)
    from service_api.domain.changes import moved_by

    leans, _ = aspects_of(root.type)
    found = [Change(entry.index, CONTEXT, leans)] if leans and entry.type != "entry.annotated" else []
    changed = moved_by(entry, root)
    if changed:
        # no later move, even when it came in the same batch: the rows follow from the log, however it was sent
        pages = sorted(pages_of(connection, book, root, entry.index + 1))
        found += [Change(entry.index, p.partition(":")[2], changed) for p in pages if p.startswith("unit:")]
    return found
