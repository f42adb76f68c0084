"""The release that stands, asked of the gate again for its own moment: what was known against it, and what is now.

It looks at the unit as it was then, so what came out is kept until something bears on it that was not known.
"""

from typing import TYPE_CHECKING
from uuid import UUID

from sqlalchemy import Connection

from service_api.answering.asking import Asking, When
from service_api.certificates import asked_by, seen_by
from service_api.domain.context import Context, Judged
from service_api.domain.gate import Block, blocks, of_authorisation
from service_api.domain.state import UnitState
from service_api.domain.timeline import effective_history
from service_api.filing import family_of, pages_of
from service_api.log import store
from service_api.pages import find_entry

if TYPE_CHECKING:
    from service_api.answering.releases import ReleaseAnswers

KEPT = 2000


def judged(asking: "Asking", connection: Connection, state: UnitState, context: Context, known: int | None) -> Judged:
    """known : how many entries of the book were known; None for all"""
    released = state.released
    assert released is not None
    key = (state.unit, released.entry, released.unheard, context.index, known)
    found = asking.judged.get(key)
    if found is None:
        if len(asking.judged) > KEPT:
            asking.judged.clear()
        found = asking.judged[key] = _judged(asking, connection, state, context, known)  # type: ignore[arg-type]
    return found


def _judged(
    answers: "ReleaseAnswers", connection: Connection, state: UnitState, context: Context, known: int | None
) -> Judged:
    released, book, page = state.released, answers.book.number, f"unit:{state.unit}"
    entry = None if released is None else find_entry(connection, book, released.entry)
    assert released is not None and entry is not None
    family = family_of(connection, book, entry, known)
    pages = (page, *sorted(pages_of(connection, book, entry, known) - {page}))  # that of a merged unit, say
    lines = (item for at in pages for item in effective_history([entry, *family], at))
    item = next(line for line in lines if line.entry.id == entry.id and line.counts)
    asked = asked_by(entry, item.body)

    def against(count: int | None) -> tuple[Block, ...]:
        when = When(true_at=released.at, known=count)
        found = blocks(answers.question(connection, state.unit, asked, when, released.key))
        return tuple(block for block in found if not of_authorisation(block))

    now = against(known)
    if released.gated:
        return Judged(known=(), now=_told(now))
    unmoved = released.unheard < 0 and context.index < entry.index
    then = now if unmoved else against(entry.index)
    seen = seen_by(entry)
    named = store.known(connection, book, {UUID(e).bytes for block in then for e in block.entries})
    last = {ident: at.index for ident, at in named.items()}
    knew = [b for b in then if all(last[UUID(e).bytes] < seen for e in b.entries)]
    return Judged(known=_told(knew), now=_told(now))


def _told(found: "tuple[Block, ...] | list[Block]") -> tuple[tuple[str, tuple[str, ...]], ...]:
    return tuple((f"{block.code} ({block.why})", block.entries) for block in found)
