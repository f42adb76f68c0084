"""Whether an entry may be sent, and how its signatures are proved: by whose token, in which role, in which session."""

from collections.abc import Callable
from functools import cache
from typing import Literal

from service_api.directory.people import role_on
from service_api.directory.tokens import Token
from service_api.domain.entries.registry import TYPES
from service_api.domain.entry import Envelope, Recorded, Signed
from service_api.domain.moments import day_in
from service_api.domain.records import record
from service_api.domain.rights import CONDITIONS, Condition, lifts, sends

Roles = tuple[tuple[str, str], ...]  # (first day, role) in the order of days
SYSTEMS = ("erp", "customer")  # their tokens speak for one person each


@record
class Sender:
    """Whose token sends.

    token : its id, which entries carry as `recorded_by`
    vouches : it speaks for its people (an admin's)
    device : the bench device that it belongs to
    directory : the version of the directory when the token was looked up
    recalled : the token as it once was looked up, to be looked at again under the lock; None when that was just now
    """

    token: str
    vouches: bool = False
    role: str = "admin"
    person: str | None = None
    party: str | None = None
    device: str | None = None
    directory: int = 0
    recalled: Token | None = None


SignedIn = Callable[[], frozenset[str]]  # who has a session at the sender's device; looked up when it matters


@cache
def _sends(role: str) -> dict[str, Condition]:
    return sends(role, TYPES)


def barred(
    entry: Envelope,
    roles: Roles,
    sender: Sender,
    zone: str,
    target: Recorded | None,
    signed_in: SignedIn,
    lift_by: str | None = None,
) -> str | None:
    """Why this entry may not be sent; None when it may.

    roles : those of `by`
    target : what a correction corrects; lift_by : who may lift the open hold that it lifts
    """
    bound = outside(entry, sender)
    if bound is not None:
        return bound
    own = roles[0][1] if len(roles) == 1 else role_on(roles, day_in(entry.moment, zone).isoformat())
    found = _refuses(own, entry, zone, target, lift_by)
    if found is not None:
        return f"{entry.by} was {own} on that day, and {found}"
    if sender.role in ("admin", own):
        return None
    found = _refuses(sender.role, entry, zone, target, lift_by)
    if found is None or (sender.device is not None and entry.by in signed_in()):
        return None
    if sender.device is not None:
        return f"nobody of that role is signed in at this device, and {found}"
    return f"this token's role is {sender.role}, and {found}"


def outside(entry: Envelope, sender: Sender) -> str | None:
    """Why a token that speaks for one person may not send this: it says as much of anybody else as of nobody."""
    if sender.person is None:
        if sender.role in SYSTEMS:
            return f"a token of the role {sender.role} sends for the person that it names, and this one names nobody"
        return None
    if entry.by != sender.person:
        return f"this token sends as {sender.person} only"
    if sender.role == "customer" and entry.typed_by not in (None, sender.person):
        return f"this token types as {sender.person} only"
    return None


def _refuses(role: str, entry: Envelope, zone: str, target: Recorded | None, lift_by: str | None) -> str | None:
    condition = _sends(role).get(entry.type)
    if condition is None:
        return f"{role} does not send {entry.type}"
    if condition != "always" and not _holds(condition, entry, zone, target):
        return f"{role} sends {entry.type} {CONDITIONS[condition]}"
    if lift_by is not None and not lifts(role, lift_by):
        return f"hold {entry.body.hold} was placed for {lift_by} to lift it"
    return None


def _holds(condition: Condition, entry: Envelope, zone: str, target: Recorded | None) -> bool:
    match condition:
        case "unidentified":
            return bool(entry.body.origin == "unidentified")
        case "lot":
            return bool(entry.body.hold.startswith("lot-imbalance:"))
        case "own":
            return target is not None and _own(entry, zone, target)
        case _:
            return True  # `owned` was judged where units are known


def _own(entry: Envelope, zone: str, target: Recorded) -> bool:
    """Their own entry, in the same job or on the target's day; an unidentified unit stays one."""
    if target.by != entry.by:
        return False
    if target.type == "unit.registered" and entry.data["data"].get("origin") != "unidentified":
        return False
    same_job = entry.job is not None and entry.job in (target.job, getattr(target.body, "job", None))
    return same_job or day_in(entry.moment, zone) == day_in(target.moment, zone)


def signed(entry: Envelope, sender: Sender, signed_in: SignedIn) -> Signed | None:
    """How the signatures on this entry are proved; None where nobody signs."""
    who = TYPES[entry.type].signed
    if not who:
        return None
    second = getattr(entry.body, "second", None) if "second" in who else None
    by = entry.by if "by" in who else None
    if by is None and second is None:
        return None
    return Signed(by=_proof(by, sender, signed_in), second=_proof(second, sender, signed_in))


Proof = Literal["session", "vouched", "none"]


def _proof(person: str | None, sender: Sender, signed_in: SignedIn) -> Proof | None:
    if person is None:
        return None
    if sender.vouches:
        return "vouched"
    return "session" if sender.device is not None and person in signed_in() else "none"
