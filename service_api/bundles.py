"""What goes into a unit's bundle (CONTRACT C): its own entries, those of others that touch it, and what stays sealed.

A customer is given the text of what they see. What they do not see, or what names another party, travels as its leaf:
it proves that something stands there, and says nothing of it.
"""

from collections.abc import Iterator

from sqlalchemy import Connection

from service_api.answering.answers import Answers
from service_api.customers import CustomerAnswers
from service_api.domain.entry import Recorded
from service_api.domain.refusals import UnknownUnit
from service_api.ledgers import joined_to
from service_api.pages import read_entries
from service_api.projections import units
from service_api.proving import Contents
from service_api.wire.entries import near

STEP = 500  # entries read at a time


def contents(answers: Answers | CustomerAnswers, unit: str, size: int) -> Contents:
    """The entries of a unit among the first `size` of the book. Raises UnknownUnit, to a customer for another's too."""
    book = answers.book.number
    with answers.engine.begin() as connection:
        sees = answers.sees_of(connection, unit, size) if isinstance(answers, CustomerAnswers) else None
        indexes = units.indexes(connection, book, f"unit:{unit}", below=size, named=True)
        for other in joined_to(connection, book, unit, size):  # merged into it: their entries belong to it too
            indexes = sorted({*indexes, *units.indexes(connection, book, f"unit:{other}", below=size)})
        own = set(units.indexes(connection, book, f"unit:{unit}", below=size)) if indexes else set()
        seq, others, sealed = -1, [], set()
        for entry in _entries(connection, book, indexes):
            if entry.subject == f"unit:{unit}":
                seq = entry.seq
            else:
                others.append(entry.index)
            if sees is not None and not (entry.index in own and sees(entry)):
                sealed.add(entry.index)
        if seq < 0:
            raise UnknownUnit(unit, near(unit, tuple(units.all_units(connection, book))))
    return Contents(unit, size, seq, tuple(indexes), tuple(others), frozenset(sealed))


def _entries(connection: Connection, book: int, indexes: list[int]) -> Iterator[Recorded]:
    for at in range(0, len(indexes), STEP):
        yield from read_entries(connection, book, indexes[at : at + STEP])
