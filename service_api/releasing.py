"""Signing a release: the gate is asked under the lock of the append, and what it says is frozen in the entry."""

from dataclasses import dataclass
from datetime import UTC
from hashlib import sha256
from typing import Any

from sqlalchemy import Connection

from service_api.answering.asking import When
from service_api.answering.releases import ReleaseAnswers
from service_api.certificates import asked_by
from service_api.directory import attachments
from service_api.domain.certificate import InBook
from service_api.domain.entry import Envelope
from service_api.domain.moments import in_utc
from service_api.domain.plain import answer, plain
from service_api.domain.refusals import IdReused, MovedOn, NotReleasable, UnknownUnit
from service_api.gates import Gate, gate_of
from service_api.log.store import Head
from service_api.projections import ledger
from service_api.wire.canonical import entry_text
from service_api.wire.entries import Draft, with_added

LONGEST = 12 * 1024  # bytes of a certificate that stands in its entry; a longer one stands there by its digest


@dataclass(frozen=True)
class Signing:
    """Lets a release be recorded, with its certificate, or says what stands in the way."""

    answers: ReleaseAnswers

    def __call__(self, connection: Connection, draft: Draft, head: Head) -> Draft:
        """Raises NotReleasable, MovedOn, IdReused."""
        entry = draft.entry
        book = InBook(index=head.size, size=head.size, root=head.frontier.root().hex())
        self._free(connection, entry.body.release)
        found = self._gate(connection, entry, None, book)
        if found.blocks:
            count = len(found.blocks)
            raise NotReleasable(
                f"{count} {'matter stands' if count == 1 else 'matters stand'} against it",
                blocks=[answer(block) for block in found.blocks],
            )
        if entry.seen_index is not None and found.as_of.index > entry.seen_index:
            self._same(connection, entry, found, book)
        return with_added(draft, certificate=self._kept(connection, plain(found.certificate), in_utc(entry.moment)))

    def _free(self, connection: Connection, release: str) -> None:
        key = f"release/{release}"
        known = ledger.lines_of_keys(connection, self.answers.book.number, (key,)).get(key)
        if known:  # a withdrawn one too: its certificate may be in somebody's hands
            raise IdReused(f"release {release} is in the book already, on {known[0].subject}: take another number")

    def _gate(self, connection: Connection, entry: Envelope, seen: int | None, book: InBook) -> Gate:
        when = When(true_at=entry.moment.astimezone(UTC), known=seen)
        return gate_of(self.answers.question(connection, entry.subject_id, asked_by(entry, entry.body), when), book)

    def _same(self, connection: Connection, entry: Envelope, now: Gate, book: InBook) -> None:
        """What was read before signing is what stands now."""
        try:
            read = self._gate(connection, entry, entry.seen_index, book).digest()
        except UnknownUnit:
            read = None
        if read != now.digest():
            raise MovedOn(
                f"what was read at {entry.seen_index} entries is not what the book says now",
                digest=now.digest(),
                index=now.as_of.index,
            )

    def _kept(self, connection: Connection, certificate: dict[str, Any], at: str) -> dict[str, Any]:
        """The certificate as its entry holds it: itself, or its digest while its bytes lie among the attachments."""
        text = entry_text(certificate)
        if len(text) <= LONGEST:
            return certificate
        digest, media, number = sha256(text).hexdigest(), "application/json", self.answers.book.number
        attachments.write(self.answers.folder, digest, media, text)
        attachments.keep(connection, number, digest, media, len(text), at)
        return {"sha256": digest, "bytes": len(text)}
