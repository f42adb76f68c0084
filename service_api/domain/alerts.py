"""Safety alerts and lot recalls as they bear on one unit: what its own slots hold (JOB.md 1.25, CONTRACT C)."""

from collections.abc import Sequence
from datetime import datetime
from typing import Literal

from service_api.domain.entries.issued import AlertScope
from service_api.domain.entries.shared import Piece
from service_api.domain.matters import Occupant
from service_api.domain.records import record
from service_api.domain.state import UnitState


@record
class Alert:
    """An open alert."""

    alert: str
    entry: str
    index: int
    at: datetime
    action: Literal["stop_use", "inspect", "replace"]
    scope: AlertScope
    words: str


@record(kw_only=True)
class AlertAnswer:
    """An alert that touches the unit, and whether it holds it.

    since : from when on: that of its issue, or of the fit that came after it
    """

    alert: str
    action: str
    words: str
    why: str
    holds: bool
    issued_at: datetime
    since: datetime
    entries: tuple[str, ...]


def covers(scope: AlertScope, piece: Piece) -> bool:
    """The piece is one of those the alert names: every kind of scope that is stated must fit."""
    if scope.part_no is None and scope.lots is None and scope.serials is None:
        return False
    return (
        (scope.part_no is None or piece.part_no == scope.part_no)
        and (scope.lots is None or piece.lot in scope.lots)
        and (scope.serials is None or piece.serial in scope.serials)
    )


def touched(alert: Alert, state: UnitState) -> AlertAnswer | None:
    """How the alert touches this unit now; None when it does not."""
    fitted: list[Occupant] = [
        o for occupants in state.slots.values() for o in occupants if any(covers(alert.scope, p) for p in o.pieces)
    ]
    after = [o for o in fitted if o.since > alert.at]
    class_ = state.identity.class_ if state.identity else None
    if fitted:
        why = "a piece it names is fitted"
    elif state.unit in (alert.scope.units or ()):
        why = "it names this unit"
    elif class_ in (alert.scope.classes or ()) and not (alert.scope.part_no or alert.scope.lots or alert.scope.serials):
        why = "it names this class"
    else:
        return None
    return AlertAnswer(
        alert=alert.alert,
        action=alert.action,
        words=alert.words,
        why=why,
        holds=bool(after) or alert.action == "stop_use",
        issued_at=alert.at,
        since=alert.at if len(after) < len(fitted) or not fitted else min(o.since for o in after),
        entries=(alert.entry, *(o.entry for o in fitted)),
    )


def touching(state: UnitState, alerts: Sequence[Alert]) -> tuple[AlertAnswer, ...]:
    """Those of the open alerts that touch the unit by what its slots hold, its number or its class."""
    return tuple(found for alert in alerts if (found := touched(alert, state)))
