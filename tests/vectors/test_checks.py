"""Every check value beside this file, through the project's public functions."""

import json
from pathlib import Path

import pytest

from tests.vectors import __main__ as command
from tests.vectors.adapters import ADAPTERS, NotJudged
from tests.vectors.judge import Case, differences, read_cases, same

CHECKS = Path(__file__).parent / "checks"
CASES = [case for path in sorted(CHECKS.glob("*.json")) for case in read_cases(path)]

NOT_YET = {
    "gs1_check_digit",
    "mod11_10",
}
# Labels are drawn from text by a library; these symbols choose another start set, or carry FNC1.
NOT_OUR_LABELS = {"c128-pjj-a", "c128-hi", "c128-set-a", "c128-gs1"}


@pytest.mark.parametrize("case", [c for c in CASES if c["kind"] in ADAPTERS], ids=lambda case: case["id"])
def test_the_answer_is_the_check_value(case: Case):
    try:
        assert [] == differences(case)
    except NotJudged as reason:
        assert case["id"] in NOT_OUR_LABELS, reason


def test_a_kind_without_an_adapter_is_named_here():
    """A new kind, or a new adapter, cannot slip by."""
    assert NOT_YET == {case["kind"] for case in CASES} - ADAPTERS.keys()


def test_the_ids_of_the_cases_differ():
    assert len(CASES) == len({case["id"] for case in CASES})


@pytest.mark.parametrize(
    ("got", "e", "want", "verdict"),
    [
        (1.04, {"abs": 0.05}, 1, True),
        (1.06, {"abs": 0.05}, 1, False),
        (102.0, {"rel": 0.02}, 100, True),
        (103.0, {"rel": 0.02}, 100, False),
        ([1.0, 2.0], {"abs": 0.1}, [1, 2], True),
        ([1.0], {"abs": 0.1}, [1, 2], False),
        ([1.0, 2.2], {"abs": 0.1}, [1, 2], False),
        (1, {"exact": True}, True, False),
        (True, {"abs": 1}, 1, False),
        (None, {"exact": True}, None, True),
        (0.0, {"exact": True}, None, False),
        (None, {"abs": 1}, 0, False),
        (float("nan"), {"abs": 1}, 0, False),
    ],
)
def test_the_judge_holds_to_the_tolerance(got, e, want, verdict):
    assert verdict == same(got, e, want)


def write(folder: Path, *cases: Case) -> str:
    path = folder / "vectors.json"
    path.write_text(json.dumps({"about": "made for this test", "cases": cases}), "utf-8")
    return str(path)


def case_of(kind: str, expected: object, **inputs: object) -> Case:
    return {
        "id": "made-up",
        "kind": kind,
        "inputs": inputs,
        "expected": {"check": {"value": expected, "exact": True}},
        "source": {"kind": "hand calculation", "cite": "made up"},
    }


def test_a_wrong_value_fails_the_command_and_is_told(tmp_path, capsys):
    assert 1 == command.main([write(tmp_path, case_of("mod37_36", "N", payload="B7CD2F9K"))])
    assert "DIFFERENT made-up: check is 'G', expected 'N' [made up]" in capsys.readouterr().out


def test_the_right_value_passes_the_command(tmp_path, capsys):
    """G: python-stdnum 2.2, see checks/check_characters.json."""
    assert 0 == command.main([write(tmp_path, case_of("mod37_36", "G", payload="B7CD2F9K"))])
    assert "1 same, 0 differences" in capsys.readouterr().out


def test_a_refusal_where_an_answer_was_expected_fails_the_command(tmp_path, capsys):
    assert 1 == command.main([write(tmp_path, case_of("mod37_36", "G", payload="b7cd"))])
    assert "made-up: refused" in capsys.readouterr().out


def test_an_answer_where_a_refusal_was_expected_fails_the_command(tmp_path, capsys):
    case = case_of("mod37_36", "G", payload="B7CD2F9K") | {"expected": {"refused": {"value": True, "exact": True}}}
    assert 1 == command.main([write(tmp_path, case)])
    assert "expected a refusal" in capsys.readouterr().out


def test_a_file_of_unknown_kinds_is_told_as_not_judged(tmp_path, capsys):
    assert 0 == command.main([write(tmp_path, case_of("horoscope", "G", sign="ram"))])
    told = capsys.readouterr().out
    assert "no adapter yet: horoscope (1 cases)" in told
    assert "NOT JUDGED" in told


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"cases": [{"id": "no-kind"}]}'])
def test_a_file_of_another_form_is_wrong_use(tmp_path, text):
    path = tmp_path / "other.json"
    path.write_text(text, "utf-8")
    assert 2 == command.main([str(path)])


def test_no_file_and_a_missing_file_are_wrong_use(tmp_path):
    assert [2, 2] == [command.main([]), command.main([str(tmp_path / "absent.json")])]
