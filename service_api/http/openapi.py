"""The OpenAPI 3.1 document, read off the contracts of the routes and the hints of the dataclasses."""

import dataclasses
import re
from pkgutil import resolve_name
from typing import Any

from apispec import APISpec
from flask import Flask

from service_api import __version__
from service_api.domain.entries.registry import TYPES
from service_api.domain.entry import Envelope, Signed
from service_api.domain.plain import hints_of, wire_name
from service_api.http.auth import COOKIE
from service_api.http.contract import Contract, path_of
from service_api.http.problems import JSON as PROBLEM
from service_api.http.problems import PROBLEMS
from service_api.wire.derive import required
from service_api.wire.openapi import record, schema_of

TEXT = {"type": "string"}
LIST = {"type": "array"}
ROW = {"type": "object"}
MOMENT = {"type": "string", "format": "date-time"}
QUERY: dict[str, dict[str, Any]] = {
    "witnessed": {"schema": {"type": "boolean"}, "description": "the longest that a witness has signed too"},
    "true_at": {"schema": {"type": "string", "format": "date-time"}, "description": "facts up to this moment"},
    "known_at": {"schema": {"type": "string", "format": "date-time"}, "description": "entries heard of by then"},
    "known_index": {
        "schema": {"type": "integer", "minimum": 0},
        "description": "the first so many entries of the book",
    },
    "limit": {"schema": {"type": "integer", "minimum": 1}, "description": "rows at a time"},
    "cursor": {"schema": TEXT, "description": "where to go on, as `next` says"},
    "order": {"schema": {"type": "string", "enum": ["oldest", "newest"]}, "description": "which end comes first"},
    "on": {"schema": {"type": "string", "format": "date"}, "description": "a local day of the book"},
    "class": {"schema": TEXT, "description": "units of this class only"},
    "subject": {"schema": TEXT, "description": "entries found under this subject only"},
    "late_days": {
        "schema": {"type": "integer", "minimum": 1},
        "description": "entries heard of more than so many days after they happened",
    },
    "person": {"schema": TEXT, "description": "typed by this person only"},
    "site": {"schema": TEXT, "description": "of this site only"},
    "activity": {"schema": TEXT, "description": "what somebody is about to do, by its code"},
    "keeper": {"schema": TEXT, "description": "the party who had the unit"},
    "code": {"schema": TEXT, "description": "discrepancies of this code only"},
    "unit": {"schema": TEXT, "description": "what concerns this unit only"},
    "holds_release": {"schema": {"type": "boolean"}, "description": "only what holds a release, or only what does not"},
    "job": {"schema": TEXT, "description": "of this job only; of the gate: the job that the release is about"},
    "from": {
        "schema": TEXT,
        "description": "where to begin, inclusive, as `next` said; 0 is the beginning; the older size; the first day",
    },
    "to": {"schema": {"type": "integer", "minimum": 1}, "description": "the newer size; now, without it"},
    "index": {"schema": {"type": "integer", "minimum": 0}, "description": "the entry's index"},
    "size": {"schema": {"type": "integer", "minimum": 1}, "description": "of so many entries; now, without it"},
    "wait": {"schema": {"type": "integer", "minimum": 0, "maximum": 60}, "description": "seconds to wait for news"},
    "mode": {"schema": TEXT, "description": "complaints of this mode only"},
    "since": {"schema": {"type": "string", "format": "date"}, "description": "reported on this local day or later"},
    "within_days": {"schema": {"type": "integer", "minimum": 0}, "description": "no more days apart than these"},
    "part_no": {"schema": TEXT, "description": "the part"},
    "unbalanced": {"schema": {"type": "boolean"}, "description": "only lots whose pieces do not add up"},
    "serial": {"schema": TEXT, "description": "the piece's serial"},
    "until": {"schema": {"type": "string", "format": "date"}, "description": "up to and on this local day"},
    "by": {"schema": TEXT, "description": "a person: what they may do on the unit alone; of the gate: who signs"},
    "second": {"schema": TEXT, "description": "who signs beside"},
    "kind": {"schema": {"type": "string", "enum": ["full", "with_concession"]}, "description": "of the release"},
    "concessions": {"schema": TEXT, "description": "those that the release names, commas between them"},
    "hire_from": {"schema": {"type": "string", "format": "date"}, "description": "first day of the planned hire"},
    "hire_until": {"schema": {"type": "string", "format": "date"}, "description": "last day of the planned hire"},
    "state": {"schema": {"type": "string", "enum": ["overdue", "open", "ended"]}, "description": "only these"},
    "task": {"schema": TEXT, "description": "work of this task only: bench, stand, release, exam, second"},
    "types": {"schema": TEXT, "description": "entry types, or chapters such as `part.*`, commas between them"},
    "from day": {
        "name": "from",
        "schema": {"type": "string", "format": "date"},
        "description": "on this local day or later",
    },
    "slot": {"schema": TEXT, "description": "what names this slot, and readings that wear with it"},
    "by person": {"name": "by", "schema": TEXT, "description": "what this person did"},
    "gauge": {"schema": TEXT, "description": "what names this gauge"},
    "characteristic": {"schema": TEXT, "description": "the characteristic, by its code"},
    "mark": {
        "schema": {"type": "string", "enum": ["superseded", "withdrawn", "moved_out", "moved_in", "none"]},
        "description": "lines with this mark; `none` asks for those without",
    },
    "what": {
        "schema": {"type": "string", "enum": ["service", "exam", "calibration", "concession"]},
        "description": "what is due: only these",
    },
    "dots": {"schema": {"type": "integer", "minimum": 1, "maximum": 20}, "description": "pixels a module"},
}


def document(app: Flask) -> dict[str, Any]:
    """The whole document. It is made once and kept with the application."""
    found: dict[str, Any] | None = app.extensions.get("openapi")
    if found is None:
        found = app.extensions["openapi"] = _build(app)
    return found


class _Components:
    """Dataclasses as components; an answer's has another name than an entry's when both are used."""

    def __init__(self, spec: APISpec) -> None:
        self.spec = spec
        self.made: dict[tuple[type, bool], str] = {}

    def refer(self, cls: type, nulls: bool) -> dict[str, Any]:
        if (cls, nulls) not in self.made:
            name = cls.__name__ + ("Answer" if nulls and not cls.__name__.endswith("Answer") else "")
            self.made[cls, nulls] = name
            component = record(cls, lambda inner: self.refer(inner, nulls), nulls)
            self.spec.components.schema(name, component)
        return {"$ref": f"#/components/schemas/{self.made[cls, nulls]}"}


def _build(app: Flask) -> dict[str, Any]:
    spec = APISpec(
        title="Fettlebook",
        version=__version__,
        openapi_version="3.1.0",
        info={
            "description": "An immutable log of entries per tagged unit, and what follows from it.",
            "license": {"name": "Apache-2.0", "identifier": "Apache-2.0"},
        },
        servers=[{"url": "/"}],
        security=[{"token": []}, {"bench": []}],
    )
    spec.components.security_scheme("token", {"type": "http", "scheme": "bearer"})
    spec.components.security_scheme("bench", {"type": "apiKey", "in": "cookie", "name": COOKIE})
    components = _Components(spec)
    _entries(spec, components)
    _problem(spec)
    for rule in sorted(app.url_map.iter_rules(), key=lambda r: r.rule):
        said: Contract | None = getattr(app.view_functions[rule.endpoint], "__contract__", None)
        if said is None:
            continue
        view = app.view_functions[rule.endpoint]
        methods = sorted((rule.methods or set()) - {"HEAD", "OPTIONS"})
        path = path_of(rule.rule)
        operations = {
            m.lower(): _operation(rule.endpoint, m, view.__doc__ or "", said, components, path) for m in methods
        }
        spec.path(path, operations=operations)
    return dict(spec.to_dict())


def _entries(spec: APISpec, components: _Components) -> None:
    """`Entry` is one of the types; each is the envelope with its own data."""
    refs = []
    for known in TYPES.values():
        data = components.refer(known.body, nulls=False)
        envelope = record(Envelope, lambda inner: components.refer(inner, nulls=False), nulls=False)
        envelope["properties"] |= {
            "type": {"const": known.name},
            "v": {"const": known.version},
            "data": data,
        }
        envelope["description"] = " ".join((known.body.__doc__ or "").split())
        name = "Entry." + known.name
        spec.components.schema(name, envelope)
        refs.append({"$ref": f"#/components/schemas/{name}"})
    spec.components.schema("Entry", {"oneOf": refs})
    signed = components.refer(Signed, nulls=False)
    spec.components.schema(
        "RecordedEntry",
        {
            "type": "object",
            "description": "The entry as it was sent, what the book added, and its receipt.",
            "required": ["id", "type", "v", "subject", "occurred_at", "by", "data", "index", "seq", "recorded_at",
                         "recorded_by", "leaf", "discrepancies", "warnings"],
            "properties": {
                "id": TEXT,
                "type": TEXT,
                "index": {"type": "integer"},
                "seq": {"type": "integer"},
                "recorded_at": {"type": "string", "format": "date-time"},
                "recorded_by": TEXT,
                "signed": signed,
                "leaf": TEXT,
                "discrepancies": {"type": "array", "items": ROW},
                "warnings": {"type": "array", "items": ROW},
                "again": {"type": "boolean"},
            },
        },
    )  # fmt: skip


def _problem(spec: APISpec) -> None:
    spec.components.schema(
        "Problem",
        {
            "type": "object",
            "description": "RFC 9457. `type` ends in /problems/SLUG and resolves to a page that says what to do.",
            "required": ["type", "title", "status", "detail", "instance"],
            "properties": {
                "type": {"type": "string", "format": "uri"},
                "title": TEXT,
                "status": {"type": "integer"},
                "detail": TEXT,
                "instance": TEXT,
                "errors": {
                    "type": "array",
                    "items": {
                        "type": "object",
                        "required": ["pointer", "code", "detail"],
                        "properties": {
                            "pointer": TEXT,
                            "code": TEXT,
                            "detail": TEXT,
                            "near": {"type": "array", "items": TEXT},
                        },
                    },
                },
                "near": {"type": "array", "items": TEXT},
                "outcomes": {"type": "array", "items": ROW},
            },
        },
    )


def _listed(name: str, item: dict[str, Any], **more: Any) -> dict[str, Any]:
    members = {name: {"type": "array", "items": item}, **more}
    return {"type": "object", "required": list(members), "properties": members}


ENTRY = {"$ref": "#/components/schemas/Entry"}
RECORDED = {"$ref": "#/components/schemas/RecordedEntry"}
NEXT = {"type": ["integer", "string", "null"]}
PERSON: dict[str, Any] = {
    "type": "object",
    "required": ["id", "name", "role"],
    "properties": {"id": TEXT, "name": TEXT, "role": TEXT},
}
PARTY = {"type": "object", "required": ["id", "name"], "properties": {"id": TEXT, "name": TEXT}}
ROLE = {"type": "object", "required": ["role", "from_on"], "properties": {"role": TEXT, "from_on": TEXT}}
SHAPES: dict[str, dict[str, Any]] = {
    "entries": {"anyOf": [ENTRY, {"type": "array", "items": ENTRY}]},
    "outcomes": {"anyOf": [RECORDED, _listed("outcomes", ROW)]},
    "entry": RECORDED,
    "entries-page": _listed("entries", RECORDED, next=NEXT),
    "units-page": _listed("units", ROW, next=NEXT),
    "identity": {"type": "object", "required": ["unit", "class", "standing"]},
    "discrepancies-page": _listed("discrepancies", ROW, as_of=ROW, next=TEXT),
    "lots-page": _listed("lots", ROW, as_of=ROW, next=NEXT),
    "holds-page": _listed("holds", ROW, as_of=ROW, next=NEXT),
    "concessions-page": _listed("concessions", ROW, as_of=ROW, counts=ROW, next=NEXT),
    "slots": _listed("slots", ROW, unit=TEXT, as_of=ROW),
    "slot": {"type": "object", "required": ["slot", "occupant", "hours_on", "contested", "history"]},
    "cosigned": _listed("witnesses", TEXT, size={"type": "integer"}),
    "bundle": _listed("entries", ROW, origin=TEXT, unit=TEXT, checkpoint=TEXT, key=TEXT, head=TEXT),
    "history": _listed("entries", ROW, unit=TEXT, as_of=ROW, count={"type": "integer"}, next=NEXT),
    "feed": _listed("entries", RECORDED, next={"type": "integer"}),
    "changes": _listed("changes", ROW, next=TEXT, generation=TEXT),
    "sheet": {"type": "object", "required": ["class", "rev", "effective_on", "sheet"]},
    "job": _listed(
        "entries",
        ROW,
        job=TEXT,
        parts=LIST,
        runs=LIST,
        done=LIST,
        left_alone=LIST,
        changes=LIST,
        unanswered_checks=LIST,
    ),
    "release-signed": {
        "type": "object",
        "required": ["id", "release", "by", "kind", "occurred_at"],
        "properties": {
            "id": TEXT,
            "release": TEXT,
            "job": TEXT,
            "by": TEXT,
            "kind": {"type": "string", "enum": ["full", "with_concession"]},
            "concessions": {"type": "array", "items": TEXT},
            "second": TEXT,
            "hire": {"type": "object", "required": ["from", "until"], "properties": {"from": TEXT, "until": TEXT}},
            "occurred_at": MOMENT,
            "seen_index": {"type": "integer", "minimum": 0},
        },
    },
    "release-recorded": {
        "allOf": [RECORDED, {"type": "object", "required": ["release", "certificate"]}],
        "description": "the recorded entry, and the certificate whole",
    },
    "release": {"type": "object", "required": ["release", "unit", "entry", "certificate"]},
    "release-today": {
        "type": "object",
        "required": ["issued", "today", "differences", "still_good", "blocks", "as_of"],
    },
    "person-new": PERSON
    | {"properties": PERSON["properties"] | {"badge": TEXT, "pin": {"type": "string", "pattern": "^[0-9]{4,12}$"}}},
    "badge-and-pin": {
        "type": "object",
        "required": ["badge", "pin"],
        "properties": {"badge": TEXT, "pin": {"type": "string", "pattern": "^[0-9]{4,12}$"}},
    },
    "session": {"type": "object", "required": ["person", "until"], "properties": {"person": TEXT, "until": MOMENT}},
    "sessions": _listed("sessions", ROW),
    "device-name": {"type": "object", "required": ["name"], "properties": {"name": TEXT}},
    "device-made": {
        "type": "object",
        "required": ["device", "enrol_url", "until"],
        "properties": {"device": TEXT, "enrol_url": {"type": "string", "format": "uri"}, "until": MOMENT},
    },
    "device-sent": {
        "type": "object",
        "required": ["device", "as_of", "last", "missing", "missing_count", "entries"],
        "properties": {
            "device": TEXT,
            "as_of": ROW,
            "last": {"type": ["integer", "null"]},
            "missing": {"type": "array", "items": {"type": "integer"}},
            "missing_count": {"type": "integer"},
        },
    },
    "device": {"type": "object", "required": ["device"], "properties": {"device": TEXT}},
    "lockout": {"type": "object", "required": ["device", "person"], "properties": {"device": TEXT, "person": TEXT}},
    "people": _listed("people", PERSON),
    "person": PERSON,
    "parties": _listed("parties", PARTY),
    "party": PARTY,
    "role": ROLE,
    "attachment": {"type": "object", "required": ["sha256", "media_type", "bytes"]},
    "health": {"type": "object", "required": ["status"], "properties": {"status": TEXT, "writing": TEXT}},
    "openapi": {"type": "object"},
}


def _operation(
    endpoint: str, method: str, words: str, said: Contract, components: _Components, path: str
) -> dict[str, Any]:
    summary, _, rest = words.strip().partition("\n")
    parameters: list[dict[str, Any]] = [
        {"name": name, "in": "path", "required": True, "schema": TEXT} for name in re.findall(r"{(\w+)}", path)
    ]
    parameters += [{"name": name, "in": "query"} | QUERY[name] for name in said.query]
    responses = {str(status): _response(said, status, components) for status in said.status}
    for status, slugs in _refusals(said).items():
        responses.setdefault(status, _problem_response(slugs))
    found: dict[str, Any] = {
        "operationId": f"{method.lower()}-{endpoint.replace('.', '-').replace('_', '-')}",
        "summary": summary.rstrip("."),
        "tags": [endpoint.partition(".")[0]],
        "responses": responses,
    }
    if rest.strip():
        found["description"] = " ".join(rest.split())
    if parameters:
        found["parameters"] = parameters
    if said.takes is not None:
        found["requestBody"] = _body(said)
    if said.public:
        found["security"] = []
    if said.public_log:
        words = f"Where the setting `public_log` opens the {said.public_log} of the log, no token is needed."
        found["description"] = f"{found.get('description', '')} {words}".strip()
    return found


def _body(said: Contract) -> dict[str, Any]:
    if said.takes == "bytes":
        return {"required": True, "content": {"application/octet-stream": {}}}
    shape = SHAPES[said.takes] if isinstance(said.takes, str) else said.takes
    content: dict[str, Any] = {"application/json": {"schema": shape}}
    if said.takes == "entries":
        content["application/x-ndjson"] = {"schema": TEXT}
    return {"required": True, "content": content}


def _response(said: Contract, status: int, components: _Components) -> dict[str, Any]:
    words = {200: "The answer", 201: "Made", 303: "Go on to the bench page", 503: "Not ready"}[status]
    if isinstance(said.gives, str) and "/" in said.gives:
        return {"description": words, "content": {said.gives: {}}}
    if isinstance(said.gives, str) and ":" in said.gives:
        shape = components.refer(resolve_name(said.gives), nulls=True)
    elif isinstance(said.gives, str):
        shape = SHAPES[said.gives]
    elif isinstance(said.gives, dict):
        shape = said.gives
    else:
        shape = components.refer(said.gives, nulls=True)
    return {"description": words, "content": {"application/json": {"schema": shape}}}


def _refusals(said: Contract) -> dict[str, list[str]]:
    general = () if said.public else ("no-token", "not-allowed")
    found: dict[str, list[str]] = {}
    for slug in (*said.refuses, *general):
        status = "404" if slug == "unknown-unit" and said.takes is None else str(PROBLEMS[slug].status)
        found.setdefault(status, []).append(slug)
    return found


def _problem_response(slugs: list[str]) -> dict[str, Any]:
    return {
        "description": ", ".join(slugs),
        "content": {PROBLEM: {"schema": {"$ref": "#/components/schemas/Problem"}}},
    }


def members(cls: type) -> list[tuple[str, bool, str]]:
    """(name, required, form in words) of a dataclass's members, for the documentation."""
    hints = hints_of(cls)
    fields = {f.name: f for f in dataclasses.fields(cls)}
    return [(wire_name(n), required(fields[n]), _words(hint)) for n, hint in hints.items()]


def forms() -> dict[str, tuple[str, list[tuple[str, bool, str]]]]:
    """Every record that an entry may hold, by name: what it is, and its members; in the order of first use."""
    found: dict[str, tuple[str, list[tuple[str, bool, str]]]] = {}

    def look(cls: type) -> dict[str, Any]:
        if cls.__name__ not in found:
            words = " ".join((cls.__doc__ or "").split())
            found[cls.__name__] = ("" if words.startswith(cls.__name__ + "(") else words, members(cls))
            for hint in hints_of(cls).values():
                schema_of(hint, look)
        return {}

    for cls in (Envelope, *(known.body for known in TYPES.values())):
        for hint in hints_of(cls).values():
            schema_of(hint, look)
    return found


def _words(hint: Any) -> str:
    found = schema_of(hint, lambda inner: {"title": inner.__name__})
    return _say(found)


def _say(found: dict[str, Any]) -> str:
    if "anyOf" in found:
        return " or ".join(dict.fromkeys(_say(choice) for choice in found["anyOf"]))
    if "title" in found:
        return str(found["title"])
    if "enum" in found:
        return " ".join(found["enum"])
    if found.get("type") == "array":
        inner = found.get("items") or found["prefixItems"][0]
        return f"list of {_say(inner)}"
    if found.get("format"):
        return str(found["format"])
    if found.get("pattern", "").startswith("^-?"):
        return "decimal text"
    return str(found.get("type"))
