"""Which entry types there are, by name, and what the book knows of each beside its members."""

from collections.abc import Callable
from typing import TypeVar

from service_api.domain.records import record

T = TypeVar("T", bound=type)


@record
class EntryType:
    """What the book knows of a type beside its members.

    subjects : kinds of subject it may stand on
    signed : who signs it ("by", "second"), empty when nobody does (CONTRACT A, Signatures)
    computed : only the service writes it
    added : members of its data that only the service writes
    """

    name: str
    version: int
    body: type
    subjects: tuple[str, ...]
    signed: tuple[str, ...]
    computed: bool
    corrects: bool
    added: tuple[str, ...] = ()


TYPES: dict[str, EntryType] = {}


def entry_type(
    name: str,
    *subjects: str,
    signed: tuple[str, ...] = (),
    computed: bool = False,
    corrects: bool = False,
    added: tuple[str, ...] = (),
) -> Callable[[T], T]:
    """Register a record as version 1 of the entry type `name`. Without subjects it stands on a unit."""

    def register(cls: T) -> T:
        known = EntryType(name, 1, cls, subjects or ("unit",), signed, computed, corrects, added)
        TYPES[name] = known
        return cls

    return register
