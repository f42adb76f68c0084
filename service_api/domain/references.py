"""Which subjects an entry names, found by the hints of its dataclass (`UnitRef`, `PersonRef`, ...)."""

from collections.abc import Callable
from dataclasses import is_dataclass
from functools import cache
from typing import Annotated, Any, NamedTuple, TypeVar, get_args, get_origin

from service_api.domain.entries.registry import TYPES
from service_api.domain.entry import Envelope
from service_api.domain.forms import Form
from service_api.domain.plain import alternatives, hints_of, wire_name


class Reference(NamedTuple):
    """A subject that an entry names, and where in it (RFC 6901 pointer)."""

    kind: str
    ident: str
    pointer: str


V = TypeVar("V")
Walk = Callable[[Any, str, list[Reference]], None]  # puts what a value names into the list


def references(entry: Envelope) -> list[Reference]:
    """Every unit, lot, person, alert and party that the entry names beside its subject, in the order of its members."""
    found: list[Reference] | None = entry.__dict__.get("_references")
    if found is None:
        found = [Reference("person", entry.by, "/by")]
        if entry.typed_by:
            found.append(Reference("person", entry.typed_by, "/typed_by"))
        found += named_in(entry.body, "/data")
        entry.__dict__["_references"] = found  # kept beside the fields: recording asks four times
    return found


def named_in(body: Any, pointer: str) -> list[Reference]:
    """What the data of an entry names; `pointer` is where the data stands."""
    kind: Any = type(body)
    found: list[Reference] = []
    walk = _walker(kind)
    if walk is not None:
        walk(body, pointer, found)
    return found


def named_subjects(entry: Envelope) -> list[str]:
    """The subjects, other than its own, that the entry is also found under; no subject twice."""
    found = named_as(entry, None)
    found.pop(entry.subject, None)
    return list(found)


def named_as(entry: Envelope, how: V) -> dict[str, V]:
    """By subject that the entry names, its own perhaps among them, `how`."""
    members = entry.__dict__
    outright = None if "_references" in members else _named_outright(entry.type)
    if outright is None:
        return {f"{kind}:{ident}": how for kind, ident, _ in references(entry) if kind != "party"}
    found = {f"person:{members['by']}": how}  # a redraw asks of every entry, and needs no pointers
    if members["typed_by"]:
        found[f"person:{members['typed_by']}"] = how
    data = members["data"]
    for name, prefix in outright:
        if name in data:
            found[prefix + data[name]] = how
    return found


@cache
def _named_outright(type_: str) -> list[tuple[str, str]] | None:
    """The members of a type's data that hold ids of subjects, and the kind before each; None when some lie deeper."""
    found = []
    for name, hint in hints_of(TYPES[type_].body).items():
        form = next((extra for extra in get_args(hint)[1:] if isinstance(extra, Form)), None)
        for choice in alternatives(hint):
            if get_origin(choice) is Annotated:
                form = next(extra for extra in get_args(choice)[1:] if isinstance(extra, Form))
        if form is not None and form.names:
            if form.names != "party":
                found.append((wire_name(name), f"{form.names}:"))
        elif _walker(hint) is not None:
            return None
    return found


@cache
def _walker(hint: Any) -> Walk | None:
    """A walk over values of this hint, or None when no such value names anything."""
    walks = [walk for choice in alternatives(hint) if (walk := _walk_one(choice))]
    return walks[0] if walks else None  # no member of ours may be one of two things that both name something


def _walk_one(hint: Any) -> Walk | None:
    if get_origin(hint) is Annotated:
        return _walk_form(next(extra for extra in get_args(hint)[1:] if isinstance(extra, Form)))
    origin, args = get_origin(hint), get_args(hint)
    if origin is tuple and args[-1] is Ellipsis:
        inner = _walker(args[0])
        return inner and _walk_each(inner)
    if is_dataclass(hint):
        return _walk_record(hint)
    return None


def _walk_each(inner: Walk) -> Walk:
    def walk_each(values: Any, pointer: str, found: list[Reference]) -> None:
        for n, value in enumerate(values):
            inner(value, f"{pointer}/{n}", found)

    return walk_each


def _walk_form(form: Form) -> Walk | None:
    if form.names:
        kind: str = form.names
        return lambda value, pointer, found: found.append(Reference(kind, value, pointer))
    if form.name == "place":
        return _walk_place
    return _walk_subject if form.name == "subject" else None


def _walk_place(value: str, pointer: str, found: list[Reference]) -> None:
    if value.startswith("unit:"):
        found.append(Reference("unit", value[5:], pointer))


def _walk_subject(value: str, pointer: str, found: list[Reference]) -> None:
    kind, _, ident = value.partition(":")
    found.append(Reference(kind, ident, pointer))


def _walk_record(cls: Any) -> Walk | None:
    parts = [(name, f"/{wire_name(name)}", walk) for name, hint in hints_of(cls).items() if (walk := _walker(hint))]
    if not parts:
        return None

    def walk_record(value: Any, pointer: str, found: list[Reference]) -> None:
        for name, outer, walk in parts:
            member = getattr(value, name)
            if member is not None:
                walk(member, pointer + outer, found)

    return walk_record
