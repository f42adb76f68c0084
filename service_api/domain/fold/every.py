"""What holds for every entry: lateness, clocks, signatures, contested corrections, and where the unit was seen."""

from datetime import timedelta

from service_api.domain import sightings
from service_api.domain.fold.handlers import raise_on, settle
from service_api.domain.matters import Retired
from service_api.domain.records import replace
from service_api.domain.sightings import Sighting
from service_api.domain.state import UnitState
from service_api.domain.timeline import Item

LATE_DAYS = 7  # between the two clocks (CONTRACT B)


def remark(state: UnitState, item: Item, twice: tuple[str, ...]) -> UnitState:
    """twice : the entries that told the same"""
    entry = item.entry
    late = entry.heard - item.at
    if late > timedelta(days=LATE_DAYS) and entry.source_kind not in ("history", "import"):
        state = raise_on(state, item, "late-typed", f"heard of {late.days} days after it happened")
        if entry.type == "gauge.calibrated":
            detail = "a certificate of that day, heard of later: what was known until then stays so"
            state = raise_on(state, item, "certificate-backdated", detail)
    if item.at > entry.heard:
        state = raise_on(
            state, item, "clock-ahead", f"happened at {entry.occurred_at}, heard of at {entry.recorded_at}"
        )
    if state.identity is None and entry.type != "unit.registered":
        state = raise_on(state, item, "before-registered", "happened before the unit had a page here")
    if state.retired is not None and entry.type != "hold.lifted":
        state = _after_scrap(state, item, state.retired)
    signed = entry.signed
    if signed and "none" in (signed.by, signed.second):
        who = " and ".join(w for w, s in (("by", signed.by), ("second", signed.second)) if s == "none")
        detail = f"the signature of `{who}` was given without a session"
        state = raise_on(state, item, "signature-unproved", detail, type=entry.type)
    elif signed:
        same = (k for k, r in state.raised.items() if r.code == "signature-unproved" and r.type == entry.type)
        state = settle(state, *same)
    if item.rivals:
        rivals = tuple(r.id for r in item.rivals)
        state = raise_on(state, item, "correction-contested", "two corrections contradict each other", *rivals)
    if item.dispute is not None:
        state = raise_on(state, item, "disputed", item.dispute.data["why"], item.dispute.id)
    if twice:
        detail = f"the same {entry.type} within half an hour, by another person or from another device"
        state = raise_on(state, item, "duplicate-suspected", detail, *twice)
    if state.out is not None and not state.doubted("return-not-booked"):
        sent_to = state.place.site if state.place else None
        if sightings.here(entry, sent_to):
            state = raise_on(state, item, "return-not-booked", "it is at hand, and out by the book", state.out.entry)
    return sighted(state, item) if sightings.scanned(entry) else state


def _after_scrap(state: UnitState, item: Item, retired: Retired) -> UnitState:
    """What happens to a retired unit is a doubt, other than a harvest that was allowed, and what went to scrap."""
    if item.entry.type != "part.removed":
        return raise_on(state, item, "scan-after-scrap", "seen again after it was retired", retired.entry)
    if retired.harvest is None or item.body.slot in retired.harvest or item.body.to == "scrap":
        return state
    detail = f"harvested from {item.body.slot}, which the retirement does not allow: look where the part went"
    return raise_on(state, item, "scan-after-scrap", detail, retired.entry)


def sighted(state: UnitState, item: Item, said: str | None = None, explained: bool = False) -> UnitState:
    """The unit was seen at a site. A move that somebody wrote down explains itself."""
    site = said or item.entry.site
    if site is None or item.entry.source_kind != "live":
        return state
    before = state.seen
    state = replace(state, seen=Sighting(site=site, at=item.at, entry=item.entry.id))
    if before is None or explained or not sightings.too_soon(before, site, item.at):
        return state
    minutes = int((item.at - before.at).total_seconds() // 60)
    detail = f"at {before.site} and at {site} within {minutes} minutes: a copied tag, a swap, or times that are wrong?"
    return raise_on(state, item, "place-impossible", detail, before.entry)
