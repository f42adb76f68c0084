"""Certificates as they were issued, and as the same release would read by what is known now."""

from dataclasses import dataclass
from functools import partial
from typing import Any

from sqlalchemy import Connection

from service_api.answering.asking import When
from service_api.answering.releases import ReleaseAnswers
from service_api.domain.certificate import FRAME, Certificate, InBook, differences
from service_api.domain.condition import standing
from service_api.domain.doubts import discrepancies
from service_api.domain.entries.releases import UnitReleased
from service_api.domain.entry import Envelope, Recorded
from service_api.domain.gate import Asked
from service_api.domain.holds import holds
from service_api.domain.ledger import Line, latest
from service_api.domain.plain import answer, filled
from service_api.domain.records import replace
from service_api.domain.refusals import NotFound
from service_api.domain.timeline import Item, facts
from service_api.gates import Gate, gate_of
from service_api.log import driver
from service_api.log.proofs import root
from service_api.log.tree import StoredTree
from service_api.pages import Heard, history_of
from service_api.projections import ledger
from service_api.wire.canonical import load


def asked_by(entry: Envelope, body: UnitReleased) -> Asked:
    """What a `unit.released` asks of the gate. body : its data, as they count"""
    return Asked(
        job=body.job or entry.job,
        kind=body.kind,
        by=entry.by,
        second=body.second,
        concessions=body.concessions or (),
        hire_from=body.hire.from_ if body.hire else None,
        hire_until=body.hire.until if body.hire else None,
        release=body.release,
        at=entry.occurred_at,
    )


@dataclass(frozen=True)
class Issued:
    """A release number: the entry that issued it, and the signature that it is about in the end.

    item : of the signature, as it counts by what is known; the two are the same unless it was re-issued
    replaces, replaced_by : numbers
    """

    release: str
    unit: str
    entry: Recorded
    item: Item
    replaces: str | None
    replaced_by: str | None

    @property
    def signed(self) -> Recorded:
        return self.item.entry

    @property
    def late(self) -> bool:
        """It reached the book as a fact: nobody asked the gate before it was signed."""
        return self.signed.body.certificate is None


class Certificates:
    def __init__(self, answers: ReleaseAnswers, connection: Connection) -> None:
        self.answers, self.connection, self.book = answers, connection, answers.book.number

    def find(self, release: str, known: int | None) -> Issued:
        """Raises NotFound. Of two under one number the first by moment is it."""
        line = self._line(release, known)
        page = history_of(self.connection, self.book, line.subject, known, ("unit.released", "release.reissued"))
        live = {i.data["release"]: i for i in reversed(facts(page)) if "release" in i.data}
        own = next(i for i in facts(page) if i.entry.id == line.entry)
        root_item, seen = own, {release}
        while root_item.entry.type == "release.reissued":
            name = root_item.data["replaces"]
            if name in seen or name not in live:
                if (
                    known != own.entry.index + 1
                ):  # what it is about counts no more, or elsewhere: it was issued all the same
                    return self._at_issue(release, own.entry)
                raise NotFound(f"{release} says that it replaces {name}, which is no release of {line.unit}")
            seen.add(name)
            root_item = live[name]
        reissues = [i for i in live.values() if i.entry.type == "release.reissued"]
        newer = next((i for i in reissues if i.data["replaces"] == release), None)
        return Issued(
            release,
            line.unit,
            own.entry,
            root_item,
            own.data.get("replaces"),
            newer.data["release"] if newer else None,
        )

    def _at_issue(self, release: str, entry: Recorded) -> Issued:
        """By what was known when it arrived: corrections of the release itself came later."""
        return self.find(release, entry.index + 1)

    def _line(self, release: str, known: int | None) -> Line:
        key = f"release/{release}"
        found = latest(ledger.lines_of_keys(self.connection, self.book, (key,), known).get(key, []))
        if not found:
            raise NotFound(f"no release {release} is in the book")
        return found[0]

    def shown(self, issued: Issued) -> dict[str, Any]:
        found: dict[str, Any] = {
            "release": issued.release,
            "unit": issued.unit,
            "entry": issued.entry.id,
            "certificate": self.certificate(issued),
        }
        if issued.late:
            found["issued"] = "late"
        if issued.replaces is not None:
            found |= {"replaces": issued.replaces, "why": issued.entry.data["why"]}
        if issued.replaced_by is not None:
            found["replaced_by"] = issued.replaced_by
        return found

    def today(self, issued: Issued, known: int | None) -> dict[str, Any]:
        gate = self.gate(issued, known)
        then, now = self.certificate(issued), answer(gate.certificate)
        now |= {name: then[name] for name in FRAME}
        state, context = self.answers.both(self.connection, issued.unit, When(known=known))
        doubts = discrepancies(state, context)
        stands = state.released is not None and state.released.entry == issued.signed.id
        return {
            "release": issued.release,
            "unit": issued.unit,
            "stands": stands and issued.replaced_by is None,
            "standing": standing(state, context, doubts)[0],
            "holds": [answer(hold) for hold in holds(state, context, doubts)],
            "issued": then,
            "today": now,
            "differences": [answer(d) for d in differences(then, now)],
            "still_good": not gate.blocks,
            "blocks": [answer(block) for block in gate.blocks],
            "as_of": answer(gate.as_of),
        }

    def certificate(self, issued: Issued) -> dict[str, Any]:
        """As it was issued. One that nobody asked the gate for is drawn from what was known when it was signed."""
        entry = issued.entry
        if entry.type == "unit.released" and (kept := entry.body.certificate) is not None:
            if "unit" not in kept:
                kept = load((self.answers.folder / kept["sha256"]).read_bytes())
            found: dict[str, Any] = filled(Certificate, kept)
            return found
        then = self._at_issue(issued.release, entry)
        if then.entry.id != entry.id:  # it took over a number that another had then
            then = issued
        return self._answer(self._as_signed(then), then)

    def _as_signed(self, issued: Issued) -> Gate:
        """By what whoever issued it knew: the book up to `seen_index`, and what the same device had written."""
        entry, seen = issued.entry, seen_by(issued.entry)
        device = entry.device.id if entry.device else None

        def heard(other: Recorded) -> bool:
            return other.index < seen or (device is not None and other.device is not None and other.device.id == device)

        return self.gate(issued, seen, heard, entry.index)

    def gate(self, issued: Issued, known: int | None, heard: Heard | None = None, upto: int | None = None) -> Gate:
        """The gate of the release's moment, by the first `known` entries."""
        when = When(true_at=issued.item.at, known=known)
        asked, key = asked_by(issued.signed, issued.item.body), issued.item.key
        return gate_of(self.answers.question(self.connection, issued.unit, asked, when, key, heard, upto))

    def _answer(self, gate: Gate, issued: Issued) -> dict[str, Any]:
        entry = issued.entry
        tree = StoredTree(partial(driver.rows, self.connection), self.book)
        book = InBook(index=entry.index, size=entry.index, root=root(tree.node, entry.index).hex())
        made = replace(gate.certificate, book=book, release=issued.release, at=entry.occurred_at, by=entry.by)
        found: dict[str, Any] = answer(made)
        return found


def seen_by(entry: Recorded) -> int:
    """How much of the book whoever signed knew."""
    seen = getattr(entry.body, "seen_index", None)
    seen = seen if seen is not None else entry.seen_index
    return entry.index if seen is None else min(seen, entry.index)
