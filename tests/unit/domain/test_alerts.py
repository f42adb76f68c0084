"""Alerts as they bear on one unit: JOB.md 1.25, CONTRACT C (Alert holds)."""

import pytest

from service_api.domain.alerts import covers, touched
from service_api.domain.entries.issued import AlertScope
from service_api.domain.entries.shared import Piece
from service_api.domain.plain import make
from tests import factories as f
from tests.histories import alert, on, state_of

BEFORE, AFTER = on("01-05 08:00"), on("01-05 10:00")


def scope(**members):
    return make(AlertScope, members)


def piece(**members):
    return make(Piece, f.piece(**members))


@pytest.mark.parametrize(
    ("named", "covered"),
    [
        ({"part_no": "P-1"}, True),
        ({"part_no": "P-2"}, False),
        ({"lots": ["L-1", "L-2"]}, True),
        ({"serials": ["S-9"]}, False),
        ({"part_no": "P-1", "lots": ["L-1"]}, True),
        ({"part_no": "P-1", "lots": ["L-2"]}, False),
        ({"classes": ["TST"]}, False),
    ],
)
def test_a_piece_is_covered_when_all_that_is_named_of_pieces_fits(named, covered):
    assert covered is covers(scope(**named), piece(lot="L-1", serial="S-1"))


def test_stop_use_holds_a_unit_with_a_piece_fitted():
    found = touched(alert("stop_use", part_no="P-1"), state_of(f.registered(), f.fitted(occurred_at=BEFORE)))
    assert ("A-1", True, "a piece it names is fitted") == (found.alert, found.holds, found.why)
    assert 2 == len(found.entries), "the alert and the fit"


@pytest.mark.parametrize("action", ["inspect", "replace"])
def test_another_action_touches_such_a_unit_and_does_not_hold_it(action):
    found = touched(alert(action, part_no="P-1"), state_of(f.registered(), f.fitted(occurred_at=BEFORE)))
    assert not found.holds


@pytest.mark.parametrize("action", ["stop_use", "inspect", "replace"])
def test_any_action_holds_a_unit_into_which_a_piece_goes_afterwards(action):
    assert touched(alert(action, part_no="P-1"), state_of(f.registered(), f.fitted(occurred_at=AFTER))).holds


def test_a_piece_taken_out_again_touches_nothing():
    state = state_of(f.registered(), f.fitted(occurred_at=BEFORE), f.removed(occurred_at=AFTER))
    assert touched(alert(part_no="P-1"), state) is None


def test_a_unit_or_class_that_is_named_is_touched_and_held_where_use_has_to_stop():
    """DEVELOPERS.md, Departures: who says stop means the machine in front of them."""
    state = state_of(f.registered())
    assert ("it names this unit", True) == _said(touched(alert(units=["U-1"]), state))
    assert ("it names this class", True) == _said(touched(alert(classes=["TST"]), state))
    assert ("it names this unit", False) == _said(touched(alert("inspect", units=["U-1"]), state))
    assert touched(alert(units=["U-2"], classes=["OTHER"]), state) is None


def test_a_class_narrows_a_scope_of_pieces_and_does_not_widen_it():
    """A lot in machines of one class: such a machine without a piece of the lot is not touched."""
    assert touched(alert(classes=["TST"], lots=["L-1"]), state_of(f.registered())) is None


def _said(found):
    return found.why, found.holds
