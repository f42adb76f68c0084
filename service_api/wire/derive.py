"""Marshmallow schemas from dataclasses: one class per dataclass, one field per hint.

The error texts begin with a code of CONTRACT A ("bad-decimal: ..."); `faults` turns marshmallow's nested messages
into faults with RFC 6901 pointers. Unknown members are refused, null is no value, and nothing is coerced: a text
is no number and `true` is no whole number.
"""

import dataclasses
import re
from collections.abc import Mapping
from datetime import date
from decimal import Decimal
from functools import cache
from typing import Annotated, Any, Literal, get_args, get_origin

from marshmallow import RAISE, Schema, ValidationError, fields

from service_api.calc import uom as units_of_measure
from service_api.domain import ids, moments
from service_api.domain.forms import KINDS, Form, Unknown
from service_api.domain.plain import alternatives, hints_of, is_record, wire_name
from service_api.domain.refusals import Fault
from service_api.wire.canonical import WHOLE_LIMIT

MESSAGES = {  # marshmallow formats them, so a brace is written twice
    "required": "missing-member: this member must be given",
    "null": 'wrong-form: null is no value here; leave the member out, or say {{"unknown": "why"}} where it is allowed',
    "validator_failed": "wrong-form: not in the form stated for this member",
}
IDENT = re.compile(r"[A-Za-z0-9._-]{1,64}")
SUBJECT = re.compile(rf"({'|'.join(KINDS)}):[A-Za-z0-9._-]{{1,64}}")
DECIMAL = re.compile(r"-?(0|[1-9][0-9]{0,24})(\.[0-9]{1,24})?")
DIGEST = re.compile(r"[0-9a-f]{64}")
NAME = re.compile(r"[^\x00-\x1f\x7f]{1,200}")
DATE = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")  # \d also matches other scripts' digits
# a lone surrogate has no UTF-8; NUL has no place in a PostgreSQL text
UNWRITABLE = re.compile("[\ud800-\udfff\x00]")
DEEPEST = 32  # levels of objects and lists in open data


class Strict(fields.Field[Any]):
    """A field that says in which code it refuses."""

    default_error_messages: Mapping[str, str | list[Any] | dict[Any, Any]] = MESSAGES  # type: ignore[assignment]

    def refuse(self, code: str, detail: str) -> ValidationError:
        return ValidationError(f"{code}: {detail}")


class TextField(Strict):
    def __init__(self, form: Form, **kwargs: Any) -> None:
        super().__init__(**kwargs)
        self.form = form

    def _deserialize(self, value: Any, attr: Any, data: Any, **kwargs: Any) -> str:
        if not isinstance(value, str):
            raise self.refuse("wrong-form", "a text is expected")
        if UNWRITABLE.search(value):
            raise self.refuse("wrong-form", "the text holds a character that cannot be stored")
        check = getattr(self, "_" + self.form.name.replace("-", "_"))
        check(value)
        return value

    def _text(self, value: str) -> None:
        if not value.strip():
            raise self.refuse("wrong-form", "the text is empty")
        if len(value) > self.form.longest:
            raise self.refuse("wrong-form", f"at most {self.form.longest} characters; longer papers are attachments")

    def _ident(self, value: str) -> None:
        if not IDENT.fullmatch(value):
            raise self.refuse("wrong-form", "an id is 1 to 64 of A-Z a-z 0-9 . _ -")

    def _date(self, value: str) -> None:
        if not DATE.fullmatch(value):
            raise self.refuse("wrong-form", "a date is YYYY-MM-DD")
        try:
            date.fromisoformat(value)
        except ValueError:
            raise self.refuse("no-such-date", f"there is no {value}") from None

    def _moment(self, value: str) -> None:
        try:
            moments.parse(value)
        except moments.MomentError as error:
            raise self.refuse(error.code, str(error)) from None

    def _entry_id(self, value: str) -> None:
        if not ids.is_entry_id(value):
            raise self.refuse("bad-id", "an entry's id is a lower-case dashed UUID")

    def _subject(self, value: str) -> None:
        if not SUBJECT.fullmatch(value):
            raise self.refuse("wrong-form", f"a subject is kind:id, the kind one of {', '.join(KINDS)}")

    def _uom(self, value: str) -> None:
        try:
            units_of_measure.dimension(value)
        except units_of_measure.UnknownUom as error:
            raise self.refuse("unknown-uom", str(error)) from None

    def _place(self, value: str) -> None:
        if value.startswith("unit:") and not SUBJECT.fullmatch(value):
            raise self.refuse("wrong-form", "a unit as a place is unit:ID")
        self._text(value)

    def _digest(self, value: str) -> None:
        if not DIGEST.fullmatch(value):
            raise self.refuse("wrong-form", "a digest is 64 lower-case hex digits of SHA-256")

    def _tag(self, value: str) -> None:
        if not 1 <= len(value) <= 100 or not value.isprintable():
            raise self.refuse("bad-tag", "a tag is 1 to 100 printable characters")


class DecimalField(Strict):
    def _deserialize(self, value: Any, attr: Any, data: Any, **kwargs: Any) -> Decimal:
        if not isinstance(value, str) or not DECIMAL.fullmatch(value):
            raise self.refuse("bad-decimal", 'a decimal is text such as "0.30", never a JSON number')
        return Decimal(value)


class WholeField(Strict):
    def _deserialize(self, value: Any, attr: Any, data: Any, **kwargs: Any) -> int:
        if not isinstance(value, int) or isinstance(value, bool) or abs(value) > WHOLE_LIMIT:
            raise self.refuse("wrong-form", "a whole number within 2^53 is expected")
        return value


class FlagField(Strict):
    def _deserialize(self, value: Any, attr: Any, data: Any, **kwargs: Any) -> bool:
        if not isinstance(value, bool):
            raise self.refuse("wrong-form", "true or false is expected")
        return value


class WordField(Strict):
    def __init__(self, words: tuple[str, ...], **kwargs: Any) -> None:
        super().__init__(**kwargs)
        self.words = words

    def _deserialize(self, value: Any, attr: Any, data: Any, **kwargs: Any) -> str:
        if not isinstance(value, str):
            raise self.refuse("wrong-form", "a text is expected")
        if value not in self.words:
            raise self.refuse("unknown-word", f"one of: {', '.join(self.words)}")
        return value


class ListField(Strict):
    """A list of like things, or (with `exactly`) of a fixed number of them."""

    def __init__(self, inner: fields.Field[Any], exactly: int | None = None, **kwargs: Any) -> None:
        super().__init__(**kwargs)
        self.inner, self.exactly = inner, exactly

    def _deserialize(self, value: Any, attr: Any, data: Any, **kwargs: Any) -> tuple[Any, ...]:
        if not isinstance(value, list):
            raise self.refuse("wrong-form", "a list is expected")
        if self.exactly is not None and len(value) != self.exactly:
            raise self.refuse("wrong-form", f"a list of {self.exactly} is expected")
        done, errors = [], {}
        for place, item in enumerate(value):
            try:
                done.append(self.inner.deserialize(item))
            except ValidationError as error:
                errors[place] = error.messages
        if errors:
            raise ValidationError(errors)
        return tuple(done)


class MapField(Strict):
    """Names to like things; names are printable and at most 200 characters."""

    def __init__(self, inner: fields.Field[Any], **kwargs: Any) -> None:
        super().__init__(**kwargs)
        self.inner = inner

    def _deserialize(self, value: Any, attr: Any, data: Any, **kwargs: Any) -> dict[str, Any]:
        if not isinstance(value, dict):
            raise self.refuse("wrong-form", "an object is expected")
        done, errors = {}, {}
        for name, item in value.items():
            try:
                if not NAME.fullmatch(name) or UNWRITABLE.search(name):
                    raise self.refuse("wrong-form", "a name is 1 to 200 printable characters")
                done[name] = self.inner.deserialize(item)
            except ValidationError as error:
                errors[name] = error.messages
        if errors:
            raise ValidationError(errors)
        return done


class OpenField(Strict):
    """A JSON object whose members another schema judges, or that the service wrote; no fractions, no nulls."""

    def _deserialize(self, value: Any, attr: Any, data: Any, **kwargs: Any) -> dict[str, Any]:
        if not isinstance(value, dict):
            raise self.refuse("wrong-form", "an object is expected")
        if wrong := self._wrong(value, DEEPEST):
            raise ValidationError(wrong)
        return value

    def _wrong(self, value: Any, levels: int) -> Any:
        """The messages of what cannot be stored, nested as marshmallow nests them; nothing when all is well."""
        if isinstance(value, dict | list):
            if not levels:
                return [f"wrong-form: at most {DEEPEST} levels of objects and lists"]
            items = value.items() if isinstance(value, dict) else enumerate(value)
            found = {k: wrong for k, item in items if (wrong := self._wrong(item, levels - 1))}
            names = value if isinstance(value, dict) else ()
            unfit = {k: ["wrong-form: the name holds a character that cannot be stored"] for k in names if _unfit(k)}
            return found | unfit
        if isinstance(value, str):
            return ["wrong-form: the text holds a character that cannot be stored"] if _unfit(value) else None
        if isinstance(value, Decimal):
            return ['bad-decimal: a decimal is text such as "0.30", never a JSON number']
        if value is None:
            return [MESSAGES["null"].format()]
        if not isinstance(value, bool) and abs(value) > WHOLE_LIMIT:
            return ["wrong-form: a whole number within 2^53 is expected"]
        return None


def _unfit(text: str) -> bool:
    return UNWRITABLE.search(text) is not None


class RecordField(Strict):
    def __init__(self, cls: type, **kwargs: Any) -> None:
        super().__init__(**kwargs)
        self.cls = cls

    def _deserialize(self, value: Any, attr: Any, data: Any, **kwargs: Any) -> Any:
        return load(self.cls, value)


class EitherField(Strict):
    """A union of the forms: told apart by shape (an object with `unknown`, another object, a scalar)."""

    def __init__(self, choices: tuple[Any, ...], **kwargs: Any) -> None:
        super().__init__(**kwargs)
        records = [c for c in choices if is_record(c)]
        self.unknown = RecordField(Unknown) if Unknown in records else None
        self.record = next((RecordField(c) for c in records if c is not Unknown), None)
        self.scalar = next((field_for(c) for c in choices if c not in records), None)

    def _deserialize(self, value: Any, attr: Any, data: Any, **kwargs: Any) -> Any:
        inner: fields.Field[Any] | None = self.scalar
        if isinstance(value, dict):
            inner = self.unknown if "unknown" in value else (self.record or self.unknown)
        if inner is None:
            raise self.refuse("wrong-form", 'an object such as {"value": "0.30", "uom": "mm"} is expected')
        return inner.deserialize(value)


def field_for(hint: Any, **kwargs: Any) -> fields.Field[Any]:
    """The strict field for one hint."""
    choices = alternatives(hint)
    if len(choices) > 1:
        return EitherField(choices, **kwargs)
    hint = choices[0]
    if get_origin(hint) is Annotated:
        form = next(extra for extra in get_args(hint)[1:] if isinstance(extra, Form))
        return TextField(form, **kwargs)
    origin, args = get_origin(hint), get_args(hint)
    if origin is Literal:
        return WordField(args, **kwargs)
    if origin is tuple:
        open_ended = args[-1] is Ellipsis
        return ListField(field_for(args[0]), exactly=None if open_ended else len(args), **kwargs)
    if origin is dict:
        return OpenField(**kwargs) if args[1] is Any else MapField(field_for(args[1]), **kwargs)
    if is_record(hint):
        return RecordField(hint, **kwargs)
    simple: dict[Any, type[Strict]] = {Decimal: DecimalField, int: WholeField, bool: FlagField}
    return simple[hint](**kwargs)


class Base(Schema):
    error_messages = {  # noqa: RUF012 (marshmallow's own way)
        "unknown": "extra-member: no such member here",
        "type": "wrong-form: an object is expected",
    }

    class Meta:
        unknown = RAISE


def required(field: dataclasses.Field[Any]) -> bool:
    return field.default is dataclasses.MISSING and field.default_factory is dataclasses.MISSING


@cache
def schema_for(cls: type) -> Schema:
    """The one schema of a dataclass, built once."""
    members: dict[str, Any] = {}
    hints = hints_of(cls)
    for field in dataclasses.fields(cls):
        outer = wire_name(field.name)
        members[field.name] = field_for(hints[field.name], required=required(field), data_key=outer)
    made: Schema = type(cls.__name__ + "Schema", (Base,), members)()
    return made


def load(cls: type, value: Any) -> Any:
    """An instance of `cls` from a JSON value from outside. Raises marshmallow's ValidationError."""
    return cls(**schema_for(cls).load(value))


def faults(messages: Any, pointer: str = "") -> list[Fault]:
    """Marshmallow's nested messages as faults with pointers, in the order of the members."""
    if isinstance(messages, Mapping):
        found: list[Fault] = []
        for name, inner in messages.items():
            here = pointer if name == "_schema" else f"{pointer}/{str(name).replace('~', '~0').replace('/', '~1')}"
            found += faults(inner, here)
        return found
    if isinstance(messages, str):
        code, _, detail = messages.partition(": ")
        return [Fault(pointer, code, detail)]
    return [fault for message in messages for fault in faults(message, pointer)]
