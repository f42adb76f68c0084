"""A unit's dossier: all that its page says, what follows from it, and the checkpoint that it can be held against.

The same `known_index` gives the same dossier, whenever it is asked for: its day is the one on which the last of those
entries was heard of, and names from the directories do not stand in it.
"""

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import Connection

from service_api.answering.answers import Answers
from service_api.answering.asking import When
from service_api.customers import CustomerAnswers
from service_api.domain import dossier as told
from service_api.domain.context import Context, in_force
from service_api.domain.plain import answer
from service_api.domain.timeline import Item, facts
from service_api.log import store
from service_api.log.merkle import leaf_hash
from service_api.pages import sheet_revisions
from service_api.proving import Proofs
from service_api.wire.canonical import load, parse

Asked = Answers | CustomerAnswers
CONDITION = ("standing", "standing_why", "hours", "since_rebuild", "release", "findings", "discrepancies")
BLOCK = 500  # entries whose texts are read at a time


def gather(asked: Asked, proofs: Proofs, unit: str, when: When) -> dict[str, Any]:
    """The dossier as plain values. Raises UnknownUnit, Malformed."""
    view, at = as_then(asked, when)
    found = lines(view, unit, at)
    identity = parse(view.identity(unit, at).text)
    condition = parse(view.condition(unit, at).text)
    shown = {line["id"] for line in found["entries"]}
    every = view.every if isinstance(view, CustomerAnswers) else view
    with every.engine.begin() as connection:
        page = every.page(connection, unit, at.known)
        until = view.theirs(unit, at) if isinstance(view, CustomerAnswers) else at
        found |= _followed(connection, every, unit, facts(page, until.true_at), shown, at)
    found["pieces"] = {} if isinstance(view, CustomerAnswers) else _pieces(every, found["slots"], at)
    assert at.known is not None
    note, signed = proofs.checkpoint_of(at.known)
    return found | {
        "origin": every.book.origin,
        "checkpoint": note,
        "signed": signed,
        "identity": {k: v for k, v in identity.items() if k not in ("as_of", "unit")},
        "condition": {name: condition[name] for name in CONDITION},
    }


def as_then(asked: Asked, when: When) -> tuple[Asked, When]:
    """The same answers on the day of the last entry that is known, and the question as a count of entries."""
    every = asked.every if isinstance(asked, CustomerAnswers) else asked
    with every.engine.begin() as connection:
        known = every.count(connection, when)
        if known is None:
            known = store.read_head(connection, every.book.number).size
        last = store.texts(connection, every.book.number, (known - 1,))
    heard = datetime.fromisoformat(str(load(last[0].hashed)["recorded_at"])) if last else every.clock()
    then = Answers(every.engine, every.book, lambda: heard, every.quickly, every.folder)
    view = CustomerAnswers(then, asked.party) if isinstance(asked, CustomerAnswers) else then
    return view, When(when.true_at, None, known)


def lines(view: Asked, unit: str, when: When, **wanted: Any) -> dict[str, Any]:
    """The history with the leaf of every entry; `altered` are the indexes whose text is not what was hashed."""
    found, _ = view.history(unit, when, **wanted)
    entries, altered = found["entries"], []
    book = view.book.number
    with view.engine.begin() as connection:
        for start in range(0, len(entries), BLOCK):
            some = {line["index"]: line for line in entries[start : start + BLOCK]}
            receipts = store.receipts(connection, book, list(some))
            for stored in store.texts(connection, book, some):
                leaf = receipts[stored.index].leaf
                some[stored.index]["leaf"] = leaf.hex()
                if leaf_hash(stored.hashed) != leaf:
                    altered.append(stored.index)
    return found | {"altered": sorted(altered)}


def _followed(
    connection: Connection, every: Answers, unit: str, page: Sequence[Item], shown: set[str], when: When
) -> dict[str, Any]:
    registered = next((i.body for i in page if i.entry.type == "unit.registered"), None)
    class_ = registered.class_ if registered else ""
    variant = registered.variant if registered else None
    context = _context(connection, every, class_, page, when)
    stated = {revision.rev: revision for revision in sheet_revisions(connection, every.book.number, class_, when.known)}
    revision = in_force(context.sheets, context.on)
    return {
        "sheet": None if revision is None else {"rev": revision.rev, "title": revision.sheet.title},
        "measurements": [answer(m) for m in told.measurements(page, shown, unit, context)],
        "runs": [answer(run) for run in told.runs(page, shown, stated, variant)],
        "slots": [answer(s) for s in told.slots(page, shown, revision)],
    }


def _context(connection: Connection, every: Answers, class_: str, page: Sequence[Item], when: When) -> Context:
    gauges = {i.data["gauge"] for i in page if i.entry.type == "reading.taken" and "gauge" in i.data}
    return every.context_of(connection, class_, gauges, when, when.known, every.shelf(connection, when.known))


def _pieces(every: Answers, slots: list[dict[str, Any]], when: When) -> dict[str, Any]:
    """Where each piece with a serial was over all units, by part number and serial."""
    named = {
        (piece["part_no"], piece["serial"])
        for slot in slots
        for span in slot["spans"]
        for piece in span["pieces"]
        if piece.get("serial")
    }
    found = {}
    for part_no, serial in sorted(named):
        chain = parse(every.piece(part_no, serial, when).text)
        found[f"{part_no} {serial}"] = {name: chain[name] for name in ("chain", "gaps")}
    return found
