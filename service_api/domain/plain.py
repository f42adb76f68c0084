"""Dataclasses to plain values (dict, list, text, whole number, truth value) and back, driven by their hints.

`make` trusts what it is given: it reads what the book wrote itself. What comes from outside goes through the
schemas of `wire`. Members that are None are left out; a decimal is text with the digits that were written.
"""

import dataclasses
import types
from collections.abc import Callable
from datetime import datetime
from decimal import Decimal
from functools import cache
from typing import Annotated, Any, Union, get_args, get_origin, get_type_hints

from service_api.domain import moments
from service_api.domain.forms import Unknown
from service_api.domain.records import builder

Convert = Callable[[Any], Any]


def wire_name(attribute: str) -> str:
    """The member's name outside Python: `from_` is `from`."""
    return attribute.rstrip("_")


@cache
def hints_of(cls: Any) -> dict[str, Any]:
    """The resolved hints of a dataclass, Annotated kept, in the order of its fields."""
    fields = dataclasses.fields(cls)
    if not any(isinstance(field.type, str) for field in fields):
        return {field.name: field.type for field in fields}  # resolved already, which saves a start its look-ups
    hints = get_type_hints(cls, include_extras=True)
    return {field.name: hints[field.name] for field in fields}


def is_record(hint: Any) -> bool:
    return dataclasses.is_dataclass(hint)


def alternatives(hint: Any) -> tuple[Any, ...]:
    """What a hint allows, without None; a hint that is no union stands alone."""
    if get_origin(hint) in (Union, types.UnionType):
        return tuple(h for h in get_args(hint) if h is not type(None))
    return (hint,)


def bare(hint: Any) -> Any:
    return get_args(hint)[0] if get_origin(hint) is Annotated else hint


def _utc(value: datetime) -> str:
    return moments.in_utc(value, digits=6)


def _same(value: Any) -> Any:
    return value


def decimal_text(value: Decimal) -> str:
    """The digits that were written, never an exponent: 0.30 stays 0.30."""
    text = str(value)
    return format(value, "f") if "E" in text else text


@cache
def maker(hint: Any) -> Convert:
    """A function from a plain value to what `hint` says."""
    choices = alternatives(hint)
    if len(choices) > 1:
        return _either(choices)
    hint = bare(choices[0])
    origin, args = get_origin(hint), get_args(hint)
    if is_record(hint):
        return _record_maker(hint)
    if origin is tuple:
        if args[-1] is Ellipsis:
            inner = maker(args[0])
            return lambda values: tuple(map(inner, values))
        parts = [maker(a) for a in args]
        return lambda values: tuple(part(value) for part, value in zip(parts, values, strict=True))
    if origin is dict and args[1] is not Any:
        inner = maker(args[1])
        return lambda values: {name: inner(value) for name, value in values.items()}
    if hint is Decimal:
        return Decimal
    if hint is datetime:
        return moments.parse
    return _same


def _either(choices: tuple[Any, ...]) -> Convert:
    unknown = maker(Unknown) if Unknown in choices else _same
    record = next((maker(c) for c in choices if is_record(c) and c is not Unknown), _same)
    scalar = next((maker(c) for c in choices if not is_record(c)), _same)

    def make_either(value: Any) -> Any:
        if isinstance(value, dict):
            return unknown(value) if "unknown" in value else record(value)
        return scalar(value)

    return make_either


def _record_maker(cls: Any) -> Convert:
    parts = {wire_name(name): (name, maker(hint)) for name, hint in hints_of(cls).items()}
    build: Any = builder(cls)

    def make_record(data: Any) -> Any:
        members = {}
        for outer, value in data.items():
            name, part = parts[outer]
            members[name] = part(value)
        return build(members)

    return make_record


def make(cls: Any, data: Any) -> Any:
    """An instance of the dataclass `cls` from plain data that is known to be right."""
    return maker(cls)(data)


@cache
def dumper(hint: Any, nulls: bool) -> Convert:
    choices = alternatives(hint)
    if len(choices) > 1:
        return lambda value: _dump(value, nulls)
    hint = bare(choices[0])
    origin, args = get_origin(hint), get_args(hint)
    if is_record(hint):
        return _record_dumper(hint, nulls)
    if origin is tuple:
        if args[-1] is Ellipsis:
            inner = dumper(args[0], nulls)
            return list if inner is _same else lambda values: [inner(value) for value in values]
        parts = [dumper(a, nulls) for a in args]
        if all(part is _same for part in parts):
            return list
        return lambda values: [part(value) for part, value in zip(parts, values, strict=True)]
    if origin is dict and args[1] is not Any:
        inner = dumper(args[1], nulls)
        return lambda values: {name: inner(value) for name, value in values.items()}
    if hint is Decimal:
        return decimal_text
    if hint is datetime:
        return _utc
    return _same


def _record_dumper(cls: Any, nulls: bool) -> Convert:
    dumpers = {name: dumper(hint, nulls) for name, hint in hints_of(cls).items()}
    parts = [(name, wire_name(name), None if part is _same else part) for name, part in dumpers.items()]

    def dump_record(value: Any) -> Any:
        members, found = value.__dict__, {}
        for name, outer, part in parts:
            v = members[name]
            if v is not None or nulls:
                found[outer] = v if part is None or v is None else part(v)
        return found

    return dump_record


def _dump(value: Any, nulls: bool) -> Any:
    kind: Any = type(value)
    return dumper(kind, nulls)(value)


def plain_value(value: Any) -> Any:
    """A single value as plain data: decimals and moments as text, all else as it is."""
    return _dump(value, nulls=False)


def plain(value: Any) -> Any:
    """A dataclass instance as plain data, members that are None left out (entries, stored state)."""
    return _dump(value, nulls=False)


def answer(value: Any) -> Any:
    """A dataclass instance as plain data with every member present (answers: null says "none")."""
    return _dump(value, nulls=True)


def filled(hint: Any, value: Any) -> Any:
    """Plain data of what `hint` says as an answer has it: members that were left out as None are null."""
    if isinstance(value, list):
        return [filled(get_args(bare(alternatives(hint)[0]))[0], item) for item in value]
    if not isinstance(value, dict):
        return value
    records = [choice for choice in alternatives(hint) if is_record(choice)]
    if not records:
        return value
    cls = next((c for c in records if (c is Unknown) == ("unknown" in value)), records[0])
    return {wire_name(n): filled(inner, value.get(wire_name(n))) for n, inner in hints_of(cls).items()}
