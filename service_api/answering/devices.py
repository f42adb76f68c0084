"""What a device sent: its newest slip, and the running numbers of which none came."""

from itertools import pairwise
from typing import Any

from service_api.answering.asking import NOW, Answer, Asking, When, answered
from service_api.directory import tokens
from service_api.domain.moments import in_utc
from service_api.domain.refusals import NotFound
from service_api.projections import slips

MOST = 1000  # missing numbers that are listed; `missing_count` counts them all


class DeviceAnswers(Asking):
    """Answers about devices."""

    def device(self, device: str, when: When = NOW) -> Answer:
        """Raises NotFound for one that neither was enrolled nor ever sent anything."""
        book = self.book.number
        with self.engine.begin() as connection:
            known = self.count(connection, when)
            enrolled = tokens.find_device(connection, book, device)
            until = None if when.true_at is None else in_utc(when.true_at, 6)
            sent = [s for s in slips.of_device(connection, book, device, known) if until is None or s.at <= until]
        if enrolled is None and not sent:
            raise NotFound(f"no device {device} was enrolled or sent anything")
        gaps = [(a.seq + 1, b.seq) for a, b in pairwise(sent) if b.seq > a.seq + 1]
        missing: list[int] = []
        for start, stop in gaps:
            missing += range(start, min(stop, start + MOST - len(missing)))
        last = sent[-1] if sent else None
        found: dict[str, Any] = {
            "device": device,
            "name": enrolled.name if enrolled else None,
            "revoked_at": enrolled.revoked_at if enrolled else None,
            "as_of": self._as_of(when, known, max((s.fact for s in sent), default=-1)),
            "last": last.seq if last else None,
            "at": last.at if last else None,
            "missing": missing,
            "missing_count": sum(stop - start for start, stop in gaps),
            "entries": [last.entry] if last else [],
        }
        return answered(found)
