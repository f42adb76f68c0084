"""Reads files of check values and compares what the project answers. The form is told in README.md beside this file."""

import json
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from tests.vectors.adapters import ADAPTERS, NotJudged

Case = dict[str, Any]


class UnreadableError(ValueError):
    """The file is no file of check values."""


@dataclass
class Report:
    """What became of the cases of one file."""

    same: list[str] = field(default_factory=list)
    differences: list[str] = field(default_factory=list)
    not_judged: dict[str, str] = field(default_factory=dict)  # id: reason
    no_adapter: dict[str, int] = field(default_factory=dict)  # kind: cases


def read_cases(path: Path) -> list[Case]:
    """The cases of a file. Raises UnreadableError when it is not there or not of the form."""
    try:
        whole = json.loads(path.read_text("utf-8"))
    except (OSError, ValueError) as error:
        raise UnreadableError(f"{path}: {error}") from error
    cases = whole.get("cases") if isinstance(whole, dict) else None
    if not isinstance(cases, list):
        raise UnreadableError(f"{path}: no list of cases")
    for number, case in enumerate(cases):
        if not _is_case(case):
            raise UnreadableError(f"{path}: case {number} lacks an id, a kind, inputs or an expected value")
    return cases


def _is_case(case: Any) -> bool:
    return (
        isinstance(case, dict)
        and isinstance(case.get("id"), str)
        and isinstance(case.get("kind"), str)
        and isinstance(case.get("inputs"), dict)
        and isinstance(case.get("expected"), dict)
        and bool(case["expected"])
        and all(isinstance(e, dict) and "value" in e for e in case["expected"].values())
    )


def same(got: Any, e: dict[str, Any], want: Any) -> bool:
    """True when `got` is what is wanted: within abs or rel (the wider), element by element in lists; else equal."""
    if isinstance(want, list):
        return (
            isinstance(got, list)
            and len(got) == len(want)
            and all(same(g, e, w) for g, w in zip(got, want, strict=True))
        )
    if want is None or isinstance(want, (str, bool)) or e.get("exact"):
        return bool(got == want) and isinstance(got, bool) == isinstance(want, bool)
    if isinstance(got, bool) or not isinstance(got, (int, float)):
        return False
    return bool(abs(got - want) <= max(e.get("abs", 0), e.get("rel", 0) * abs(want)))


def answer(case: Case) -> dict[str, Any]:
    """What the project answers; {"refused": True} when it raised ValueError, or TypeError for a wrong type.

    Any other exception is a fault of ours, not a refusal, and passes through. Raises KeyError for a kind without an
    adapter, NotJudged for a case that a stated reason keeps us from judging.
    """
    adapter: Callable[..., dict[str, Any]] = ADAPTERS[case["kind"]]
    try:
        if case["kind"] == "code128":  # our label path goes from text to symbols, so it starts from the expected text
            return adapter(case["inputs"], case["expected"].get("text", {}).get("value"))
        return adapter(case["inputs"])
    except NotJudged:
        raise
    except (ValueError, TypeError) as error:
        return {"refused": True, "why": str(error)}


def differences(case: Case) -> list[str]:
    """One sentence for each expected value that the answer does not meet. Raises NotJudged as `answer`."""
    try:
        got = answer(case)
    except NotJudged:
        raise
    except Exception as error:  # the judge says which case broke, and goes on with the next
        return [f"{case['id']}: broke with {type(error).__name__}: {error}"]
    cite = case.get("source", {}).get("cite", "no source")
    if "refused" in got and "refused" not in case["expected"]:
        return [f"{case['id']}: refused ({got['why']}), expected an answer [{cite}]"]
    if "refused" not in got and "refused" in case["expected"]:
        return [f"{case['id']}: answered {got}, expected a refusal [{cite}]"]
    return [
        f"{case['id']}: {name} is {got.get(name, 'missing')!r}, expected {e['value']!r} [{cite}]"
        for name, e in case["expected"].items()
        if name not in got or not same(got[name], e, e["value"])
    ]


def judge(cases: list[Case]) -> Report:
    """Judge every case."""
    report = Report()
    for case in cases:
        kind = case["kind"]
        if kind not in ADAPTERS:
            report.no_adapter[kind] = report.no_adapter.get(kind, 0) + 1
            continue
        try:
            found = differences(case)
        except NotJudged as reason:
            report.not_judged[case["id"]] = str(reason)
            continue
        if found:
            report.differences += found
        else:
            report.same.append(case["id"])
    return report
