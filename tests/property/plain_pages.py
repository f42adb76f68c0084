"""The histories of a book by the words of CONTRACT A and B alone: plain, slow, and nothing of `domain.timeline` in it.

An entry here is the recorded one as plain data. Every question is answered from the whole list of entries, again and
again.
"""

from datetime import UTC, datetime, timedelta

CORRECTING = ("superseded", "withdrawn", "reattributed", "annotated", "disputed")
EPOCH = datetime(1, 1, 1, tzinfo=UTC)


def corrects(entry):
    return entry["type"] == "dispute.settled" or entry["type"] in [f"entry.{word}" for word in CORRECTING]


def on(entries, target, kind):
    """The live corrections of this kind on an entry, in the order of the book."""
    named = [e for e in entries if corrects(e) and e["type"] == f"entry.{kind}" and e["data"]["target"] == target["id"]]
    return [e for e in named if not struck(entries, e)]


def struck(entries, entry):
    """Withdrawn by an entry that is not withdrawn itself: that revives it."""
    return bool(on(entries, entry, "withdrawn"))


def counting(entries, entry):
    """The supersede that counts: the later one by the same person, or when its sender had seen the earlier; else the
    first recorded (contested).
    """
    best = None
    for later in on(entries, entry, "superseded"):
        if best is None or later["by"] == best["by"] or later.get("seen_index", 0) > best["index"]:
            best = later
    return best


def effective(entries, entry):
    """(data that counts, true moment that a correction gave): superseding a correction gives its whole data."""
    best = counting(entries, entry)
    if best is None:
        return entry["data"], None
    whole, _ = effective(entries, best)
    return whole["data"], whole.get("occurred_at")


def moves(entries, entry):
    """Where the live moves on an entry say that it belongs, in the order of the book."""
    return [effective(entries, move)[0]["to"] for move in on(entries, entry, "reattributed")]


def root(entries, entry):
    while corrects(entry):
        entry = next(e for e in entries if e["id"] == entry["data"]["target"])
    return entry


def moment(entries, entry):
    """`occurred_at` less the device's known error; a moment that a correction gives is true time."""
    _, given = effective(entries, entry)
    if given is not None:
        return datetime.fromisoformat(given).astimezone(UTC)
    offset = entry.get("device", {}).get("clock_offset_ms", 0)
    return datetime.fromisoformat(entry["occurred_at"]).astimezone(UTC) - timedelta(milliseconds=offset)


def stands(entries, entry, page):
    """Whether the page shows an entry: its own; a fact that a live move names it in; the corrections of either."""
    if entry["subject"] == page:
        return True
    live = on(entries, root(entries, entry), "reattributed")
    return page in {to for m in live for to in (m["data"]["to"], effective(entries, m)[0]["to"])}


def page(entries, subject):
    """The lines of a page in order: (id, mark, data that counts)."""
    shown = [e for e in entries if stands(entries, e, subject)]
    shown.sort(key=lambda e: (moment(entries, e), e.get("device", {}).get("seq", -1), e["index"]))
    return [(e["id"], mark(entries, e, subject), effective(entries, e)[0]) for e in shown]


def mark(entries, entry, subject):
    """What became of an entry, as its line on this page says."""
    there = moves(entries, entry)
    if struck(entries, entry):
        return "withdrawn"
    if there and entry["subject"] == subject and there[-1] != subject:
        return "moved_out"
    if there and entry["subject"] != subject:
        return "moved_in" if there[-1] == subject else "moved_out"
    return "superseded" if counting(entries, entry) else None
