"""Who may: what each role may send (CONTRACT A, Rights) and what it may ask. All of it is data, printed in /docs.

A token's role limits what may be sent with it; the role that `by` had on the corrected day decides as well, whatever
the token. What is not in a table here is allowed to nobody.
"""

from collections.abc import Mapping
from typing import Literal

ROLES = (
    "bench",
    "lead",
    "stores",
    "stand",
    "quality",
    "manager",
    "signatory",
    "auditor",
    "erp",
    "customer",
    "admin",
)

# A type, or a chapter of types; what stands behind a colon is the condition, named in CONDITIONS
_BENCH = """
    tag.scanned complaint.* job.* energy.* caution.shown check.answered reading.taken finding.* work.done setting.left
    run.recorded part.fitted part.removed meter.* unit.received unit.dispatched unit.moved unit.registered:unidentified
    gauge.checked gauge.mishandled hold.placed alert.answered unit.released rebuild.completed claim.opened
    entry.annotated entry.disputed entry.superseded:own
"""
_LEAD = f"""{_BENCH}
    unit.registered unit.merged tag.* hold.lifted entry.superseded entry.withdrawn entry.reattributed service.planned
"""
_STORES = """
    unit.registered tag.* unit.received unit.dispatched unit.moved unit.sold lot.received lot.moved part.sold meter.*
    service.planned supplier.returned complaint.reported hold.placed hold.lifted:lot entry.annotated entry.disputed
"""
_QUALITY = """
    gauge.* sheet.issued codes.issued exam.recorded alert.* authorisation.* hold.* reading.taken entry.annotated
    entry.disputed
"""
_SIGNATORY = f"{_BENCH} release.reissued concession.* hold.lifted"
SENDS: dict[str, str] = {
    "bench": _BENCH,
    "stand": _BENCH,
    "lead": _LEAD,
    "stores": _STORES,
    "quality": _QUALITY,
    "signatory": _SIGNATORY,
    "manager": f"""{_LEAD} {_STORES} {_QUALITY} {_SIGNATORY}
        terms.issued unit.retired claim.* goodwill.granted supplier.* dispute.settled""",
    "erp": """unit.registered unit.received unit.dispatched unit.sold meter.read service.planned lot.received
        part.sold""",
    "customer": "complaint.reported:owned meter.read:owned entry.disputed:owned",
    "auditor": "entry.annotated entry.disputed",
    "admin": "*",
}
Condition = Literal["always", "unidentified", "own", "lot", "owned"]
CONDITIONS: dict[Condition, str] = {
    "always": "always",
    "unidentified": "with the origin `unidentified`",
    "own": "of their own entry, in the same job or on the target's day",
    "lot": "of a `lot-imbalance`",
    "owned": "on the units of the token's party",
}

# Whose holds a role lifts beside those that name it: of the roles that its own row takes in
STANDS_FOR: dict[str, tuple[str, ...]] = {
    "lead": ("bench", "stand"),
    "signatory": ("bench", "stand"),
    "manager": tuple(role for role in ROLES if role != "admin"),
    "admin": ROLES,
}


def lifts(role: str, lift_by: str) -> bool:
    """Whether a role that sends `hold.lifted` may lift a hold that was placed with this `lift_by`."""
    return lift_by == role or lift_by in STANDS_FOR.get(role, ())


def _matches(pattern: str, type_: str) -> bool:
    return pattern in ("*", type_) or (pattern.endswith(".*") and type_.startswith(pattern[:-1]))


def sends(role: str, types: Mapping[str, object]) -> dict[str, Condition]:
    """The types that a role may send, each with its condition; a type named twice is free when it is so once."""
    found: dict[str, Condition] = {}
    for word in SENDS[role].split():
        pattern, _, condition = word.partition(":")
        for type_ in types:
            if _matches(pattern, type_) and found.get(type_) != "always":
                found[type_] = condition or "always"  # type: ignore[assignment]
    return found


# What may be asked, call by call: `all` of the book, or `own` (the units of the token's party, other parties blanked)

Reach = Literal["all", "own"]
SHOP = ("bench", "lead", "stores", "stand", "quality", "manager", "signatory", "admin")
READS_ALL = (*SHOP, "auditor")
KEEPERS = ("lead", "manager", "admin")  # of the directory
DEVICE_KEEPERS = ("lead", "admin")


def _all(*roles: str) -> dict[str, Reach]:
    return dict.fromkeys(roles, "all")


UNIT: dict[str, Reach] = {**_all(*READS_ALL, "erp"), "customer": "own"}
BOOK: dict[str, Reach] = {**_all(*READS_ALL), "customer": "own"}
CALLS: dict[str, dict[str, Reach]] = {
    "GET /v1/units": UNIT,
    "GET /v1/units/{unit}": UNIT,
    "GET /v1/units/{unit}/card": UNIT,
    "GET /v1/units/{unit}/condition": UNIT,
    "GET /v1/units/{unit}/slots": UNIT,
    "GET /v1/units/{unit}/slots/{slot}": UNIT,
    "GET /v1/units/{unit}/wear/{characteristic}": UNIT,
    "GET /v1/units/{unit}/hours": UNIT,
    "GET /v1/units/{unit}/history": UNIT,
    "GET /v1/units/{unit}/dossier": UNIT,
    "GET /v1/units/{unit}/dossier.pdf": UNIT,
    "GET /v1/units/{unit}/dossier.csv": UNIT,
    "GET /v1/units/{unit}/bundle": UNIT,
    "GET /v1/units/{unit}/gate": _all(*READS_ALL),
    "GET /v1/releases/{release}": UNIT,
    "GET /v1/releases/{release}/certificate.pdf": UNIT,
    "GET /v1/releases/{release}/today": UNIT,
    "GET /v1/jobs/{job}": UNIT,
    "GET /v1/classes/{class}/sheet": _all(*READS_ALL, "erp"),
    "GET /v1/tags/{tag}": BOOK,
    "GET /v1/tags/{tag}/label.svg": _all(*READS_ALL),
    "GET /v1/tags/{tag}/label.png": _all(*READS_ALL),
    "GET /v1/entries": BOOK,
    "GET /v1/entries/{ident}": BOOK,
    "GET /v1/attachments/{digest}": BOOK,
    "GET /v1/feed": _all(*READS_ALL, "erp"),
    "GET /v1/changes": _all(*READS_ALL, "erp"),
    # Proofs and checkpoints hold hashes only: a customer checks what they were given by them
    "GET /v1/log/checkpoint": _all(*READS_ALL, "customer"),
    "POST /v1/log/cosignatures": _all("auditor", "admin"),
    "GET /v1/log/proof/inclusion": _all(*READS_ALL, "customer"),
    "GET /v1/log/proof/consistency": _all(*READS_ALL, "customer"),
    "GET /v1/log/tile/{level}/{number}": _all(*READS_ALL),
    "GET /v1/log/tile/entries/{number}": _all(*READS_ALL),
    "GET /v1/books/{book}/log/checkpoint": _all(*READS_ALL, "customer"),
    "GET /v1/books/{book}/log/tile/{level}/{number}": _all(*READS_ALL),
    "GET /v1/books/{book}/log/tile/entries/{number}": _all(*READS_ALL),
    "GET /v1/fleet/forecast": _all(*READS_ALL),
    "GET /v1/fleet/due": UNIT,
    "GET /v1/complaints/cures": _all(*READS_ALL),
    "GET /v1/complaints/repeats": _all(*READS_ALL),
    "GET /v1/discrepancies": _all(*READS_ALL),
    "GET /v1/holds": _all(*READS_ALL),
    "GET /v1/concessions": _all(*READS_ALL),
    "GET /v1/authorisations/audit": _all(*READS_ALL),
    "GET /v1/pieces": _all(*READS_ALL),
    "GET /v1/gauges/{gauge}/fitness": _all(*READS_ALL),
    "GET /v1/gauges/{gauge}/lookback": _all(*READS_ALL),
    "GET /v1/lots": _all(*READS_ALL),
    "GET /v1/lots/{lot}": _all(*READS_ALL),
    "GET /v1/spares/forecast": _all(*READS_ALL),
    "GET /v1/people": _all(*READS_ALL),
    "GET /v1/parties": _all(*READS_ALL),
    "GET /v1/people/{person}/work": _all(*READS_ALL),
    "GET /v1/people/{ident}/badge.svg": _all(*KEEPERS),
    # What is written beside the log. What an entry may be is said by SENDS, entry by entry.
    "POST /v1/entries": _all(*ROLES),
    "PUT /v1/attachments/{digest}": _all(*SHOP, "erp", "customer"),
    "POST /v1/units/{unit}/releases": _all("bench", "stand", "lead", "signatory", "manager", "admin"),
    "POST /v1/tags": _all("lead", "stores", "manager", "admin"),
    "POST /v1/people": _all(*KEEPERS),
    "POST /v1/people/{ident}/roles": _all(*KEEPERS),
    "POST /v1/parties": _all(*KEEPERS),
    "POST /v1/devices": _all(*DEVICE_KEEPERS),
    "GET /v1/devices/{device}": _all(*READS_ALL),
    "DELETE /v1/devices/{device}": _all(*DEVICE_KEEPERS),
    # At an enrolled device (role `bench`) only while a lead or an admin is signed in there
    "DELETE /v1/devices/{device}/lockouts/{person}": _all("bench", *DEVICE_KEEPERS),
    # Of the bench device that asks; its token has the role `bench`
    "GET /v1/sessions": _all("bench"),
    "POST /v1/sessions": _all("bench"),
    "DELETE /v1/sessions": _all("bench"),
    "DELETE /v1/sessions/{person}": _all("bench"),
}

# Which roles a keeper of the directory may give to a person: nobody gives more than they may do
GIVES: dict[str, tuple[str, ...]] = {
    "lead": ("bench", "stand", "lead", "stores", "auditor", "erp", "customer"),
    "manager": tuple(role for role in ROLES if role != "admin"),
    "admin": ROLES,
}

# Members of answers that name a party. To a customer another party than their own reads so:
OTHER_PARTY = "other party"
BLANKED = {
    "/owner": "identity, card: whose the unit is",
    "/place/party": "card: who has the unit",
    "/entries/*/data/owner": "history, lists, entry: whose it was when registered",
    "/entries/*/data/customer": "history, lists, entry: who sent it in, who complained",
    "/entries/*/data/to": "history, lists, entry: to whom it went or was sold",
    "/entries/*/data/party": "history, lists, entry: who disputes",
    "/entries/*/data/supplier": "history, lists, entry: who supplied",
}
