"""A device's own running numbers: which are missing, and where its clock stepped back (JOB.md 4.2, CONTRACT B).

A slip is an entry as a device sent it. Corrections bear on facts, never on what was sent.
"""

from typing import NamedTuple

from service_api.domain import moments
from service_api.domain.entry import Recorded
from service_api.domain.ledger import Doubt

LIFTABLE = ("device-gap", "clock-back")
DEVICES = ("device/", "device0")  # every cause is from the one to just before the other


class Slip(NamedTuple):
    """`typed` and `at` are the moment by the device's clock and the corrected one, in UTC; moved : the note's step."""

    device: str
    seq: int
    fact: int
    entry: str
    live: bool
    typed: str
    at: str
    moved: int


def slip_of(entry: Recorded) -> Slip | None:
    device = entry.device
    if device is None:
        return None
    typed = moments.in_utc(entry.typed, 6)
    at = typed if device.clock_offset_ms is None else moments.in_utc(entry.moment, 6)
    moved = device.note.clock_moved_ms if device.note else 0
    return Slip(device.id, device.seq, entry.index, entry.id, entry.source_kind == "live", typed, at, moved)


def cause(slip: Slip) -> str:
    return f"device/{slip.device}/{slip.seq}"


def doubts(before: Slip, slip: Slip) -> list[Doubt]:
    """What is odd between two slips of a device that follow one another, as far as slips are known."""
    found = []
    subject, both = f"shop:{slip.device}", (before.entry, slip.entry)
    missing = slip.seq - before.seq - 1
    if missing > 0:
        numbers = str(before.seq + 1) if missing == 1 else f"{before.seq + 1} to {slip.seq - 1}"
        found.append(Doubt("device-gap", slip.entry, subject, (), both, f"{slip.device} has not sent {numbers}"))
    if before.live and slip.live and slip.typed < before.typed and slip.at < before.at and not _explained(before, slip):
        detail = f"{slip.device} wrote {slip.typed} after {before.typed}, and nothing says that its clock was set"
        found.append(Doubt("clock-back", slip.entry, subject, (), both, detail))
    return found


def _explained(before: Slip, slip: Slip) -> bool:
    """The note says that the clock went back by as much as the moments do."""
    back = moments.parse(before.typed) - moments.parse(slip.typed)
    return slip.moved < 0 and -slip.moved >= back.total_seconds() * 1000
