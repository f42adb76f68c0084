"""Words that clients rely on stand in one table each: problem slugs, codes of discrepancies."""

import ast
import inspect
from collections.abc import Iterator
from pathlib import Path

import pytest

import service_api
from service_api.domain import refusals
from service_api.domain.discrepancies import KINDS
from service_api.domain.entries.registry import TYPES
from service_api.domain.refusals import Refusal
from service_api.http import problems
from service_api.http.problems import PROBLEMS

PACKAGE = Path(service_api.__file__).parent
FILES = sorted(p for p in PACKAGE.rglob("*.py") if "_travelling" not in p.parts)

# DESIGN section 6.
DISCREPANCIES = {
    "meter-backwards",
    "meter-too-fast",
    "meter-gap",
    "slot-contested",
    "serial-in-two-places",
    "removed-from-empty",
    "wear-improved",
    "readings-disagree",
    "tag-on-two-units",
    "serial-shared",
    "scan-after-scrap",
    "return-not-booked",
    "place-impossible",
    "released-while-blocked",
    "released-then-defect",
    "released-twice",
    "signed-unauthorised",
    "late-after-release",
    "late-typed",
    "clock-ahead",
    "gauge-overdue",
    "gauge-out",
    "limit-moved",
    "verdict-overtaken",
    "alert-part-fitted",
    "lot-imbalance",
    "duplicate-suspected",
    "correction-contested",
    "exam-against-defect",
    "disputed",
    "unknown-characteristic",
    "run-off-conditions",
    "dispatched-unreleased",
    "signature-unproved",
    "before-registered",
    "id-taken",
    "device-gap",
    "clock-back",
    "certificate-backdated",
    "reset-without-change",
    "piece-gap",
}
# CONTRACT C, Discrepancy: "holds_release (...), no other".
HOLD = {
    "slot-contested",
    "serial-in-two-places",
    "tag-on-two-units",
    "meter-backwards",
    "released-while-blocked",
    "released-then-defect",
    "verdict-overtaken",
    "alert-part-fitted",
    "scan-after-scrap",
    "disputed",
    "signature-unproved",
}
# CONTRACT A: the codes at 422, then the others with their status.
AT_422 = {
    "unknown-type",
    "unknown-version",
    "missing-member",
    "extra-member",
    "wrong-form",
    "unknown-word",
    "wrong-subject",
    "bad-id",
    "bad-decimal",
    "unknown-uom",
    "wrong-dimension",
    "bad-moment",
    "no-offset",
    "too-far-ahead",
    "no-such-date",
    "unknown-unit",
    "unknown-person",
    "unknown-entry",
    "computed-type",
    "too-long",
    "second-is-first",
    "already-registered",
    "bad-tag",
    "bad-query",
    "empty-batch",
    "batch-refused",
}
OTHERS = {
    "bad-json": 400,
    "no-token": 401,
    "not-allowed": 403,
    "not-found": 404,
    "wrong-method": 405,
    "id-reused": 409,
    "too-large": 413,
    "wrong-media-type": 415,
    "outcome-unknown": 503,
    "busy": 503,
    "clock-doubt": 503,
}


def trees() -> Iterator[tuple[Path, ast.AST]]:
    return ((file, ast.parse(file.read_text("utf-8"))) for file in FILES)


def text_of(node: ast.expr | None) -> str | None:
    return node.value if isinstance(node, ast.Constant) and isinstance(node.value, str) else None


# Problems

# Where a code stands among the arguments of what raises it.
PLACE = {"Fault": 1, "at": 1, "refuse": 0, "Plain": 0, "MomentError": 0}


def slugs(tree: ast.AST) -> Iterator[str]:
    """Every slug or code that a file raises, declares or refuses with."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            name = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
            if name in PLACE and len(node.args) > PLACE[name] and (found := text_of(node.args[PLACE[name]])):
                yield found
            for keyword in node.keywords:
                if keyword.arg == "refuses" and isinstance(keyword.value, ast.Tuple):
                    yield from (found for item in keyword.value.elts if (found := text_of(item)))
        elif isinstance(node, ast.Assign) and [getattr(t, "id", "") for t in node.targets] == ["slug"]:
            yield from filter(None, [text_of(node.value)])


RAISED = {slug: str(file.relative_to(PACKAGE)) for file, tree in trees() for slug in slugs(tree)}


def test_every_slug_that_is_raised_has_its_status_title_and_advice():
    abstract = {"refused"}  # the base of the family is never raised
    assert {} == {slug: file for slug, file in RAISED.items() if slug not in PROBLEMS and slug not in abstract}


def test_the_slugs_were_found_at_all():
    """A rename of what raises them would leave the test above with nothing to look at."""
    assert {"unknown-unit", "bad-decimal", "no-offset", "too-far-ahead", "id-reused", "bad-query"} <= RAISED.keys()
    assert ["made-up"] == list(slugs(ast.parse('raise Malformed.at("/x", "made-up", "words")')))


def test_the_statuses_are_those_of_the_contract():
    assert {} == {s: PROBLEMS[s].status for s in AT_422 if PROBLEMS[s].status != 422}
    assert OTHERS == {slug: PROBLEMS[slug].status for slug in OTHERS}
    assert PROBLEMS.keys() - {*AT_422, *OTHERS} <= {
        "malformed",
        "internal",
        "not-releasable",
        "moved-on",
        "disk-full",
        "needs-extra",
    }


def test_every_refusal_of_the_family_has_a_slug_of_its_own_or_one_in_the_table():
    family = [
        c for _, c in inspect.getmembers(refusals, inspect.isclass) if issubclass(c, Refusal) and c is not Refusal
    ]
    assert len(family) > 5
    assert [] == [c.__name__ for c in family if c.slug not in PROBLEMS]


@pytest.mark.parametrize("slug", PROBLEMS)
def test_a_problem_says_what_to_do_in_sentences(slug):
    kind = PROBLEMS[slug]
    assert kind.title and kind.do.endswith(".")
    assert isinstance(kind, problems.Kind)


# Discrepancies


def codes(tree: ast.AST) -> Iterator[str]:
    """Every code that a file raises as a discrepancy or doubt."""
    for node in ast.walk(tree):
        if not isinstance(node, ast.Call):
            continue
        name = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
        place = {"raise_on": 2, "discrepancy": 0, "Doubt": 0}.get(name)
        if place is not None and len(node.args) > place and (found := text_of(node.args[place])):
            yield found


def test_every_code_of_the_contract_stands_in_the_table_and_no_other():
    assert DISCREPANCIES == set(KINDS)


def test_every_code_that_is_raised_stands_in_the_table():
    raised = {code for _, tree in trees() for code in codes(tree)}
    assert {"meter-backwards", "slot-contested", "late-typed", "gauge-overdue"} <= raised
    assert set() == raised - KINDS.keys()


def test_those_hold_a_release_that_the_contract_names_and_no_other():
    assert HOLD == {code for code, kind in KINDS.items() if kind.holds_release}


def test_every_discrepancy_says_what_would_settle_it():
    assert [] == [code for code, kind in KINDS.items() if not kind.settle]


# Types


def test_the_types_are_past_tense_and_signed_as_the_contract_says():
    """CONTRACT A, Signatures: the types that somebody signs, and every `second`."""
    by = {name for name, t in TYPES.items() if "by" in t.signed}
    assert {
        "unit.released",
        "release.reissued",
        "concession.granted",
        "hold.lifted",
        "exam.recorded",
        "entry.reattributed",
        "claim.decided",
    } == by
    second = {name for name, t in TYPES.items() if "second" in t.body.__dataclass_fields__}
    assert second == {name for name, t in TYPES.items() if "second" in t.signed}
    assert {"claim.decided", "verdict.reassessed"} == {name for name, t in TYPES.items() if t.computed}
