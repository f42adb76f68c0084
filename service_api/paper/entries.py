"""What an entry says, in lines that a reader takes in: nothing of its data is left out."""

from collections.abc import Iterator
from typing import Any

from service_api.paper.words import moment, quantity, said, uom

# Members that read better without their name, first
BARE = ("words", "note", "why", "detail")


def told(type_: str, data: dict[str, Any]) -> list[str]:
    """The data of an entry, line by line: free words first, each other member with its name."""
    match type_:
        case "reading.taken":
            return [
                _readings(data),
                *_named(data, {"characteristic", "stage", "uom", "readings", "gauge", "sheet_rev"}),
            ]
        case "run.recorded":
            conditions = [f"{said(name)} {flat(value)}" for name, value in data["conditions"].items()]
            results = [_result(result) for result in data["results"]]
            head = f"{data['run']}, {said(data['stage'])}: {'; '.join(conditions)}"
            return [head, "; ".join(results), *_named(data, {"run", "stage", "conditions", "results", "sheet_rev"})]
        case "part.fitted" | "part.removed":
            pieces = [_piece(p) for p in data.get("pieces") or ()]
            return [f"{data['slot']}: {'; '.join(pieces) or 'whatever was in'}", *_named(data, {"slot", "pieces"})]
        case "check.answered":
            return [
                f"{data['check']}: {said(data['answer'])}",
                *_named(data, {"check", "answer", "sheet_rev", "second"}),
            ]
        case "unit.released" | "release.reissued":
            return list(_named(data, {"second", "certificate"}))  # that is a paper of its own
    return list(_named(data, {"second"}))


def _readings(data: dict[str, Any]) -> str:
    values = ", ".join(
        quantity(r["value"]) + (f" at {r['position']}" if r.get("position") else "") for r in data["readings"]
    )
    return f"{data['characteristic']} {said(data['stage'])}: {values}, in {uom(data['uom']) or 'plain figures'}"


def _result(result: dict[str, Any]) -> str:
    """One figure of a run, or several with their uom said once where it is the same."""
    values = result.get("values") or ([result["value"]] if "value" in result else [])
    units = {v.get("uom") for v in values if "uom" in v}
    if len(units) == 1 and len(values) > 1 and all("uom" in v for v in values):
        shown = f"{', '.join(quantity(v['value']) for v in values)} {uom(units.pop())}".strip()
    else:
        shown = ", ".join(map(quantity, values))
    rest = [f"{said(k)} {flat(v)}" for k, v in result.items() if k not in ("test", "value", "values")]
    return f"{result['test']} {shown}".strip() + (f" ({', '.join(rest)})" if rest else "")


def _piece(piece: dict[str, Any]) -> str:
    count = f"{piece['qty']} × " if piece.get("qty") != 1 else ""
    more = [f"{said(name)} {quantity(value)}" for name, value in piece.items() if name not in ("part_no", "qty")]
    return f"{count}{piece['part_no']}" + (f" ({', '.join(more)})" if more else "")


def _named(data: dict[str, Any], told_already: set[str]) -> Iterator[str]:
    for name in BARE:
        if isinstance(data.get(name), str) and name not in told_already:
            yield data[name] if name == "words" else f"{name}: {data[name]}"
    rest = [
        f"{said(name)} {flat(value)}"
        for name, value in data.items()
        if name not in told_already and not (name in BARE and isinstance(value, str))
    ]
    if rest:
        yield "; ".join(rest)


def flat(value: Any) -> str:
    """Any value of an entry's data on one line."""
    match value:
        case {"value": _, "uom": _} | {"unknown": _} | {"word": _}:
            return quantity(value)
        case dict():
            return "{" + ", ".join(f"{said(name)} {flat(inner)}" for name, inner in value.items()) + "}"
        case list():
            return ", ".join(map(flat, value)) or "none"
        case bool():
            return "yes" if value else "no"
        case str() if len(value) >= 20 and value[4:5] == "-" and value[10:11] == "T":
            return moment(value)
    return str(value)
