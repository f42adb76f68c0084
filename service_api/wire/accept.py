"""A quick yes to what is plainly valid, compiled from the same hints as the schemas.

Marshmallow takes some 200 microseconds for an entry, which is most of what an append computes. A check here takes
a fifteenth of that, since it never words an error: it gives the same instance that the schema would, or it declines,
and then the schema decides. What is taken here is a subset of what the schemas take (tests/property/test_accept.py).
"""

from collections.abc import Callable
from dataclasses import fields
from datetime import date
from decimal import Decimal
from functools import cache, lru_cache, partial
from typing import Annotated, Any, Literal, get_args, get_origin

from service_api.calc import uom as units_of_measure
from service_api.domain import ids, moments
from service_api.domain.entry import Envelope
from service_api.domain.forms import Form, Unknown
from service_api.domain.plain import alternatives, hints_of, is_record, wire_name
from service_api.wire import derive
from service_api.wire.canonical import WHOLE_LIMIT

Check = Callable[[Any], Any]
# What is written again and again is checked once: people, gauges, units of measure, positions, short decimals. What is
# refused is not remembered, so all that is remembered is short.
REMEMBERED = 1024  # of each form
REPEATED = ("ident", "subject", "uom", "date")
SHORT = 200  # characters of a text that may be a name


class Declined(Exception):
    """Not plainly valid: ask the schema."""


def envelope(raw: dict[str, Any], body: type) -> Envelope:
    """The envelope of an entry whose data is of the type `body`, with its body made. Raises Declined."""
    made: Envelope = _envelope()(raw)
    made.__dict__["body"] = check_for(body)(raw["data"])
    return made


@cache
def _envelope() -> Check:
    return _record(Envelope, data=lambda value: value)


@cache
def check_for(hint: Any) -> Check:
    """A function from a JSON value to what the schema of `hint` makes of it; it raises Declined."""
    choices = alternatives(hint)
    if len(choices) > 1:
        return _either(choices)
    hint = choices[0]
    origin, args = get_origin(hint), get_args(hint)
    if origin is Annotated:
        return _text_of(next(extra for extra in args[1:] if isinstance(extra, Form)))
    if origin is Literal:
        return _one_of(args)
    if origin is tuple:
        return _list_of(check_for(args[0]), None if args[-1] is Ellipsis else len(args))
    if origin is dict:
        return _decline if args[1] is Any else _map_of(check_for(args[1]))
    if is_record(hint):
        return _record(hint)
    simple: dict[Any, Check] = {Decimal: _decimal, int: _whole, bool: _flag}
    return simple[hint]


def _decline(value: Any) -> Any:
    raise Declined


def _record(cls: Any, **own: Check) -> Check:
    """A check compiled for the record: its members are read in one display of a dict, where a loop takes half as long
    again. own : checks of members in place of those by their hints"""
    hints = hints_of(cls)
    known: dict[str, Any] = {
        "Declined": Declined,
        "names": frozenset(map(wire_name, hints)),
        "new": partial(object.__new__, cls),
        "hold": object.__setattr__,
    }
    members = []
    for field in fields(cls):
        name, outer = field.name, wire_name(field.name)
        known[f"check_{name}"], known[f"left_out_{name}"] = own.get(name) or check_for(hints[name]), field.default
        member = f"{name!r}: check_{name}(value[{outer!r}])"
        members.append(member if derive.required(field) else f"{member} if {outer!r} in value else left_out_{name}")
    exec(_CHECK.format(members=", ".join(members)), known)
    check: Check = known["check"]
    return check


# KeyError: a member is missing. TypeError: a list or an object stands where a text is remembered.
_CHECK = """
def check(value):
    if type(value) is not dict or not names.issuperset(value):
        raise Declined
    made = new()
    try:
        hold(made, "__dict__", {{{members}}})
    except (KeyError, TypeError):
        raise Declined from None
    return made
"""


def _either(choices: tuple[Any, ...]) -> Check:
    records = [c for c in choices if is_record(c)]
    unknown = check_for(Unknown) if Unknown in records else _decline
    record = next((check_for(c) for c in records if c is not Unknown), unknown)
    scalar = next((check_for(c) for c in choices if c not in records), _decline)

    def check(value: Any) -> Any:
        if type(value) is dict:
            return unknown(value) if "unknown" in value else record(value)
        return scalar(value)

    return check


def _list_of(inner: Check, exactly: int | None) -> Check:
    def check(value: Any) -> Any:
        if type(value) is not list or (exactly is not None and len(value) != exactly):
            raise Declined
        return tuple([inner(item) for item in value])

    return check


def _map_of(inner: Check) -> Check:
    def check(value: Any) -> Any:
        if type(value) is not dict:
            raise Declined
        for name in value:
            if not 1 <= len(name) <= 200 or not name.isprintable():
                raise Declined
        return {name: inner(item) for name, item in value.items()}

    return check


def _one_of(words: tuple[str, ...]) -> Check:
    known = frozenset(words)

    def check(value: Any) -> Any:
        if type(value) is not str or value not in known:
            raise Declined
        return value

    return check


@lru_cache(maxsize=REMEMBERED)
def _decimal(value: Any) -> Any:
    if type(value) is not str or derive.DECIMAL.fullmatch(value) is None:
        raise Declined
    return Decimal(value)


def _whole(value: Any) -> Any:
    if type(value) is not int or not -WHOLE_LIMIT <= value <= WHOLE_LIMIT:
        raise Declined
    return value


def _flag(value: Any) -> Any:
    if type(value) is not bool:
        raise Declined
    return value


def _text_of(form: Form) -> Check:
    """A text of this form; one with a control character, such as a line break, is for the schema.

    A list or an object given to a check that remembers raises TypeError.
    """
    fits = _printable(form.longest) if form.name == "text" else FITS[form.name]

    def check(value: Any) -> Any:
        if type(value) is not str or not fits(value):
            raise Declined
        return value

    repeated = form.name in REPEATED or (form.name == "text" and form.longest <= SHORT)
    return lru_cache(maxsize=REMEMBERED)(check) if repeated else check


def _printable(longest: int) -> Callable[[str], Any]:
    return lambda value: 0 < len(value) <= longest and value.isprintable() and not value.isspace()


def _is_date(value: str) -> bool:
    try:
        return derive.DATE.fullmatch(value) is not None and date.fromisoformat(value) is not None
    except ValueError:
        return False


def _is_moment(value: str) -> bool:
    try:
        moments.parse(value)
    except moments.MomentError:
        return False
    return True


def _is_uom(value: str) -> bool:
    try:
        units_of_measure.dimension(value)
    except units_of_measure.UnknownUom:
        return False
    return True


def _is_place(value: str) -> bool:
    named = not value.startswith("unit:") or derive.SUBJECT.fullmatch(value) is not None
    return named and bool(_printable(Form("place").longest)(value))


FITS: dict[str, Callable[[str], Any]] = {
    "ident": derive.IDENT.fullmatch,
    "date": _is_date,
    "moment": _is_moment,
    "entry-id": ids.DASHED.fullmatch,
    "subject": derive.SUBJECT.fullmatch,
    "uom": _is_uom,
    "place": _is_place,
    "digest": derive.DIGEST.fullmatch,
    "tag": lambda value: 1 <= len(value) <= 100 and value.isprintable(),
}
