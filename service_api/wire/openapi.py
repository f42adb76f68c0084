"""JSON Schemas (draft 2020-12, as OpenAPI 3.1 takes them) from the same hints as the marshmallow schemas."""

import dataclasses
from collections.abc import Callable
from datetime import datetime
from decimal import Decimal
from typing import Annotated, Any, Literal, get_args, get_origin

from service_api.domain.forms import Form
from service_api.domain.plain import alternatives, hints_of, is_record, wire_name
from service_api.wire.derive import DATE, DECIMAL, DIGEST, IDENT, SUBJECT, required

Refer = Callable[[type], dict[str, Any]]
FORMS: dict[str, dict[str, Any]] = {
    "text": {},
    "ident": {"pattern": f"^{IDENT.pattern}$"},
    "date": {"format": "date", "pattern": f"^{DATE.pattern}$"},
    "moment": {"format": "date-time"},
    "entry-id": {"format": "uuid", "pattern": "^[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}$"},
    "subject": {"pattern": f"^{SUBJECT.pattern}$"},
    "uom": {"description": "UCUM code"},
    "place": {"description": "a named place, or unit:ID"},
    "digest": {"pattern": f"^{DIGEST.pattern}$"},
    "tag": {"maxLength": 100},
}


def schema_of(hint: Any, refer: Refer) -> dict[str, Any]:
    """The JSON Schema of a hint. `refer` gives the reference to a dataclass's own component."""
    choices = alternatives(hint)
    if len(choices) > 1:
        return {"anyOf": [schema_of(choice, refer) for choice in choices]}
    hint = choices[0]
    if get_origin(hint) is Annotated:
        form = next(extra for extra in get_args(hint)[1:] if isinstance(extra, Form))
        longest = {"maxLength": form.longest} if form.name == "text" else {}
        return {"type": "string"} | FORMS[form.name] | longest
    origin, args = get_origin(hint), get_args(hint)
    if origin is Literal:
        return {"type": "string", "enum": list(args)}
    if origin is tuple:
        if args[-1] is Ellipsis:
            return {"type": "array", "items": schema_of(args[0], refer)}
        return {"type": "array", "prefixItems": [schema_of(a, refer) for a in args], "minItems": 2, "maxItems": 2}
    if origin is dict:
        return {"type": "object"} | ({} if args[1] is Any else {"additionalProperties": schema_of(args[1], refer)})
    if is_record(hint):
        return refer(hint)
    simple: dict[Any, dict[str, Any]] = {
        str: {"type": "string"},
        int: {"type": "integer"},
        bool: {"type": "boolean"},
        Decimal: {"type": "string", "pattern": f"^{DECIMAL.pattern}$"},
        datetime: {"type": "string", "format": "date-time"},
    }
    return dict(simple[hint])


def record(cls: type, refer: Refer, nulls: bool) -> dict[str, Any]:
    """The component of a dataclass. In answers (`nulls`) every member is there and may be null; in entries a member
    that is not given is left out, and no other member is taken."""
    hints = hints_of(cls)
    fields = {field.name: field for field in dataclasses.fields(cls)}
    members = {}
    for name, hint in hints.items():
        found = schema_of(hint, refer)
        if nulls and type(None) in get_args(hint):
            found = {"anyOf": [found, {"type": "null"}]}
        members[wire_name(name)] = found
    must = [wire_name(name) for name, field in fields.items() if nulls or required(field)]
    words = " ".join((cls.__doc__ or "").split())
    whole: dict[str, Any] = {"type": "object", "properties": members}
    if words and not words.startswith(cls.__name__ + "("):
        whole["description"] = words
    if must:
        whole["required"] = must
    if not nulls:
        whole["additionalProperties"] = False
    return whole
