"""The aggregate of the peers (s2_eventsourcing.py), on the library `eventsourcing`."""

from typing import Any

from eventsourcing.domain import Aggregate, event


class Asset(Aggregate):
    def __init__(self) -> None:
        self.seen, self.last = 0, None

    @event("Measured")
    def measure(self, reading: dict[str, Any]) -> None:
        self.seen += 1
        self.last = reading["data"]["stage"]
