"""tests/papers.toml maps what the papers number to the test that proves it, or to NOT YET; nothing may be missing."""

import ast
import tomllib
from pathlib import Path

import pytest

from service_api.domain.discrepancies import KINDS

ROOT = Path(__file__).parent.parent.parent
PAPERS = tomllib.loads((ROOT / "tests" / "papers.toml").read_text("utf-8"))
WANTED = {
    "discrepancies": set(KINDS),
    "offline": {str(n) for n in range(1, 9)},  # rows of JOB.md 4.3
    "contradictions": {str(n) for n in range(1, 17)},  # rows of JOB.md 4.4
    "questions": {str(n) for n in range(1, 41)},
    "stories": {f"S{n}" for n in range(1, 15)},
    "reliability": {
        f"B{n}" for n in (*range(1, 7), *range(11, 18), 29, 30)
    },  # of the goals, those of the log and its faults
}


def names_in(file: Path) -> set[str]:
    tree = ast.parse(file.read_text("utf-8"))
    return {n.name for n in ast.walk(tree) if isinstance(n, ast.FunctionDef) and n.name.startswith("test_")}


@pytest.mark.parametrize("chapter", WANTED)
def test_every_number_of_the_papers_stands_in_the_map(chapter: str) -> None:
    assert WANTED[chapter] == set(PAPERS[chapter])


def test_there_are_as_many_discrepancy_codes_as_the_design_names() -> None:
    """DESIGN section 6 lists 41."""
    assert 41 == len(KINDS)


@pytest.mark.parametrize("chapter", WANTED)
def test_what_the_map_names_is_a_test_that_exists(chapter: str) -> None:
    for number, where in PAPERS[chapter].items():
        for named in [where] if isinstance(where, str) else where:
            if named == "NOT YET":
                continue
            file, _, name = named.partition("::")
            assert (ROOT / file).is_file(), f"{chapter} {number}: no file {file}"
            assert name in names_in(ROOT / file), f"{chapter} {number}: no test {name} in {file}"


def test_every_reliability_goal_names_its_number_and_its_negative_control() -> None:
    """A goal whose test cannot fail does not count: each has a test that does the fault and one that plants it."""
    for goal, where in PAPERS["reliability"].items():
        if where == "NOT YET":
            continue
        names = [named.partition("::")[2] for named in where]
        mine = [name for name in names if goal.lower() in name.split("_")]
        assert names == mine, goal
        assert any("control" in name.split("_") for name in mine), f"{goal} has no control"
        assert not all("control" in name.split("_") for name in mine), f"{goal} has only a control"
