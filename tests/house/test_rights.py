"""The matrix of who may has a row for every call and every type; what has none is nobody's, which would be a slip."""

import pytest

from service_api.app import create_app
from service_api.domain.entries.registry import TYPES
from service_api.domain.rights import CALLS, CONDITIONS, ROLES, SENDS, sends
from service_api.http.contract import path_of


@pytest.fixture
def calls(store):
    """Every call that wants a token, as the matrix writes it."""
    app = create_app(store)
    return {
        f"{method} {path_of(rule.rule)}"
        for rule in app.url_map.iter_rules()
        if not app.view_functions[rule.endpoint].__contract__.public
        for method in rule.methods - {"HEAD", "OPTIONS"}
    }


def test_every_call_has_a_row_and_every_row_a_call(calls):
    """service_api/domain/rights.py: add the row of a new call to CALLS, and to tests/api/rights/calls.csv."""
    assert calls == CALLS.keys()


def test_every_role_stands_in_the_table_of_what_is_sent():
    assert set(ROLES) == SENDS.keys()


@pytest.mark.parametrize("role", ROLES)
def test_every_word_of_the_table_means_a_type_and_a_condition(role):
    for word in SENDS[role].split():
        pattern, _, condition = word.partition(":")
        assert (condition or "always") in CONDITIONS
        named = [t for t in TYPES if t == pattern or pattern == "*" or t.startswith(pattern.removesuffix("*"))]
        assert named, f"{role} sends {pattern}, and there is no such type"


@pytest.mark.parametrize("type_", TYPES)
def test_every_type_that_clients_send_is_somebodys_beside_an_admins(type_):
    senders = {role for role in ROLES if type_ in sends(role, TYPES)} - {"admin"}
    assert senders or TYPES[type_].computed
