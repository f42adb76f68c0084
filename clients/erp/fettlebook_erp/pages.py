"""A page of changes as the service gives it, checked before anything of it is stored."""

import re
from dataclasses import dataclass
from typing import Any

from fettlebook_erp.trouble import FoundWrong

BEGINNING = "0"
CURSOR = re.compile(r"([0-9]{1,15})(?::[^\s:]{1,64})?")
GENERATION = re.compile(r"[A-Za-z0-9._-]{1,64}")
Change = dict[str, Any]


@dataclass(frozen=True)
class Place:
    """How far a sink has come.

    generation : the generation of what it holds, None when it holds nothing yet
    start : what to send as `from`
    last : the cursor of the last change it holds; `from` is inclusive, so that change may come once more
    """

    generation: str | None = None
    start: str = BEGINNING
    last: str | None = None


@dataclass(frozen=True)
class Page:
    """One answer: the changes in the order of the book, and the cursor to go on from."""

    changes: list[Change]
    next: str
    generation: str


def index_of(cursor: str) -> int:
    """The index in a cursor, which is an index alone or an index and a unit. Raises FoundWrong for anything else."""
    found = CURSOR.fullmatch(cursor)
    if found is None:
        raise FoundWrong(f"no cursor: {cursor[:80]!r}")
    return int(found[1])


def read_page(value: Any, start: str) -> Page:
    """The page in a reply to `from=start`.

    Raises FoundWrong for a reply of another form, and for one that would lose a change, double one or never end:
    rows before `start`, rows out of order, a row given twice, a `next` that does not go on.
    """
    try:
        changes, after, generation = value["changes"], value["next"], value["generation"]
        keys = [(change["index"], change["unit"]) for change in changes]
        cursors = [change["cursor"] for change in changes]
        bare = [change for change in changes if not {"changed", "condition"} <= change.keys()]
    except (TypeError, KeyError, AttributeError) as error:
        raise FoundWrong(f"the reply is no page of changes: {type(error).__name__}: {error}") from None
    texts = all(isinstance(text, str) for text in (after, generation, *cursors, *(unit for _, unit in keys)))
    if bare or not texts or not GENERATION.fullmatch(generation):
        raise FoundWrong("the reply is no page of changes: a member is missing or has another form")
    if [index for index, _ in keys] != [index_of(cursor) for cursor in cursors]:
        raise FoundWrong("the reply is no page of changes: a row's cursor names another index than the row")
    # Rows of one index are in the service's order of units, which may be its database's, so only indexes are compared.
    # Comparing also refuses an index that is no number.
    indexes = [index_of(start), *(index for index, _ in keys), index_of(after)]
    if indexes != sorted(indexes) or len(set(keys)) < len(keys) or (keys and after == start):
        raise FoundWrong(f"the reply to from={start} is out of order or does not go on: its next is {after}")
    return Page(changes, after, generation)
