"""Refusals: what the service does not do, each with a slug that is public. Status codes live at the HTTP edge."""

from dataclasses import field
from typing import Any

from service_api.domain.records import record


@record
class Fault:
    """One fault of an entry: where (RFC 6901 pointer inside the entry), which, and what would put it right."""

    pointer: str
    code: str
    detail: str
    near: tuple[str, ...] = field(default=())


class Refusal(Exception):
    """Base of the family. `slug` is the last part of the problem's `type`."""

    slug = "refused"

    def __init__(self, detail: str, **members: Any) -> None:
        """members : what the problem document says beside the detail"""
        super().__init__(detail)
        self.detail = detail
        self.members = members


class Malformed(Refusal):
    """The input cannot be a fact as it stands; nothing of it is kept."""

    slug = "malformed"

    def __init__(self, faults: list[Fault]) -> None:
        super().__init__(faults[0].detail if len(faults) == 1 else f"{len(faults)} faults; `errors` names each of them")
        self.faults = faults
        if len(faults) == 1:
            self.slug = faults[0].code

    @classmethod
    def at(cls, pointer: str, code: str, detail: str, near: tuple[str, ...] = ()) -> "Malformed":
        return cls([Fault(pointer, code, detail, near)])


class IdReused(Refusal):
    slug = "id-reused"


class NotReleasable(Refusal):
    """Something stands against the release; `blocks` names all of it."""

    slug = "not-releasable"


class MovedOn(Refusal):
    """What the signer had read is not what the book says now."""

    slug = "moved-on"


class BadJson(Refusal, ValueError):
    slug = "bad-json"


class NoToken(Refusal):
    slug = "no-token"


class NotAllowed(Refusal):
    slug = "not-allowed"


class NotFound(Refusal):
    slug = "not-found"


class UnknownUnit(Refusal):
    slug = "unknown-unit"

    def __init__(self, unit: str, near: tuple[str, ...] = (), then: str | None = None) -> None:
        """then : the moment by which it was not registered yet"""
        found = "is registered in this book" if then is None else f"was registered by {then}"
        super().__init__(f"no unit {unit} {found}")
        self.near = near


class TooLarge(Refusal):
    slug = "too-large"


class WrongMediaType(Refusal):
    slug = "wrong-media-type"


class NeedsExtra(Refusal):
    """The answer rests on a numerical library that is not installed here."""

    slug = "needs-extra"


class ClockDoubt(Refusal):
    """The machine's clock cannot be believed; nothing is written until somebody confirms it."""

    slug = "clock-doubt"


class Busy(Refusal):
    slug = "busy"


class DiskFull(Refusal):
    slug = "disk-full"


class OutcomeUnknown(Refusal):
    slug = "outcome-unknown"
