"""What the receipts of a book said beside their leaves: whether each has the form that it is written in.

It lies outside the tree: words that were altered and have the form leave no trace.
"""

from typing import Any

from sqlalchemy.exc import DBAPIError

from service_api.log import driver
from service_api.ops.wrongs import Wrongs
from service_api.wire.said import has_form

RUN = 5000  # receipts looked at together
_SAID = (
    "SELECT log_index, said FROM receipt WHERE book = ? AND log_index >= ? AND log_index < ? AND said IS NOT NULL"
    " ORDER BY log_index"
)


def look_at_said(ask: driver.Ask, book: int, size: int, wrongs: Wrongs) -> None:
    for first in range(0, size, RUN):
        for index, said in _read(ask, book, first, min(first + RUN, size)):
            if not has_form(said):
                wrongs.add("damaged", index, "what its receipt said is not in the form of a receipt")


def _read(ask: driver.Ask, book: int, first: int, stop: int) -> list[tuple[int, Any]]:
    """Receipts that said something; where a page cannot be read, entry by entry, as the pass over the leaves tells."""
    try:
        return [(index, said) for index, said in ask(_SAID, (book, first, stop))]
    except DBAPIError:
        if stop - first == 1:
            return []
        middle = (first + stop) // 2
        return [*_read(ask, book, first, middle), *_read(ask, book, middle, stop)]
