"""How many properties hold for any example (B15), and that one of them falls when what it is about is broken.

`pytest --examples 500` gives each so many examples; `python -m tests.faults --goal B15` says what came of it.
"""

import ast
from pathlib import Path

import pytest
from hypothesis import Phase, given, settings

from service_api.domain.fold import step
from service_api.domain.timeline import simple_item
from service_api.late import Advanced
from service_api.recording import drawing
from tests.property import test_oracle

TESTS = Path(__file__).parents[1]
LEAST = 30


def properties():
    """The tests of this checkout that are given examples."""
    for file in TESTS.rglob("test_*.py"):
        for node in ast.walk(ast.parse(file.read_text("utf-8"))):
            if isinstance(node, ast.FunctionDef) and any("given(" in ast.unparse(d) for d in node.decorator_list):
                yield f"{file.relative_to(TESTS)}::{node.name}"


def test_b15_there_are_thirty_properties_and_more():
    assert LEAST <= len(set(properties()))


def test_b15_control_a_late_entry_that_is_taken_as_in_order_is_found(store, monkeypatch):
    def in_any_order(state, fresh, tail):
        for entry in fresh:
            state = step(state, simple_item(entry))
        return Advanced(state, None)

    monkeypatch.setattr(drawing, "advance", in_any_order)
    inner = test_oracle.test_the_stored_states_are_those_of_a_fold_over_the_whole_book_however_it_was_sent.hypothesis

    @settings(max_examples=40, derandomize=True, deadline=None, database=None, phases=[Phase.generate])
    @given(test_oracle.STORIES, test_oracle.CUTS, test_oracle.CUTS)
    def broken(told, cuts, others):
        inner.inner_test(store, told, cuts, others)

    with pytest.raises(AssertionError):
        broken()
