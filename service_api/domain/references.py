"""Which subjects an entry names, found by the hints of its dataclass (`UnitRef`, `PersonRef`, ...)."""

from collections.abc import Callable, Iterator
from dataclasses import is_dataclass
from functools import cache
from typing import Annotated, Any, NamedTuple, get_args, get_origin

from service_api.domain.entry import Envelope
from service_api.domain.forms import Form
from service_api.domain.plain import alternatives, hints_of, wire_name


class Reference(NamedTuple):
    """A subject that an entry names, and where in it (RFC 6901 pointer)."""

    kind: str
    ident: str
    pointer: str


Walk = Callable[[Any, str], Iterator[Reference]]


def references(entry: Envelope) -> list[Reference]:
    """Every unit, lot, person, alert and party that the entry names beside its subject, in the order of its members."""
    found: list[Reference] | None = getattr(entry, "_references", None)
    if found is None:
        found = [Reference("person", entry.by, "/by")]
        if entry.typed_by:
            found.append(Reference("person", entry.typed_by, "/typed_by"))
        found += named_in(entry.body, "/data")
        object.__setattr__(entry, "_references", found)  # kept beside the fields: recording asks four times
    return found


def named_in(body: Any, pointer: str) -> list[Reference]:
    """What the data of an entry names; `pointer` is where the data stands."""
    kind: Any = type(body)
    walk = _walker(kind)
    return list(walk(body, pointer)) if walk else []


def named_subjects(entry: Envelope) -> list[str]:
    """The subjects, other than its own, that the entry is also found under; no subject twice."""
    found = {f"{r.kind}:{r.ident}": None for r in references(entry) if r.kind != "party"}
    found.pop(entry.subject, None)
    return list(found)


@cache
def _walker(hint: Any) -> Walk | None:
    """A walk over values of this hint, or None when no such value names anything."""
    walks = [walk for choice in alternatives(hint) if (walk := _walk_one(choice))]
    if not walks:
        return None
    walk = walks[0]  # no member of ours may be one of two things that both name something
    return lambda value, pointer: iter(()) if value is None else walk(value, pointer)


def _walk_one(hint: Any) -> Walk | None:
    if get_origin(hint) is Annotated:
        return _walk_form(next(extra for extra in get_args(hint)[1:] if isinstance(extra, Form)))
    origin, args = get_origin(hint), get_args(hint)
    if origin is tuple and args[-1] is Ellipsis:
        inner = _walker(args[0])
        return inner and (
            lambda values, pointer: (r for n, value in enumerate(values) for r in inner(value, f"{pointer}/{n}"))
        )
    if is_dataclass(hint):
        return _walk_record(hint)
    return None


def _walk_form(form: Form) -> Walk | None:
    if form.names:
        kind: str = form.names
        return lambda value, pointer: iter((Reference(kind, value, pointer),))
    if form.name == "place":
        return lambda value, pointer: iter(
            (Reference("unit", value[5:], pointer),) if value.startswith("unit:") else ()
        )
    if form.name == "subject":
        return lambda value, pointer: iter((Reference(value.partition(":")[0], value.partition(":")[2], pointer),))
    return None


def _walk_record(cls: Any) -> Walk | None:
    parts = [(name, wire_name(name), walk) for name, hint in hints_of(cls).items() if (walk := _walker(hint))]
    if not parts:
        return None

    def walk_record(value: Any, pointer: str) -> Iterator[Reference]:
        for name, outer, walk in parts:
            yield from walk(getattr(value, name), f"{pointer}/{outer}")

    return walk_record
