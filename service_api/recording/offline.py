"""What the gate says of a release that came as a fact: whoever signed it offline reads it in the receipt."""

from collections.abc import Iterator
from pathlib import Path

from sqlalchemy import Connection

from service_api.domain.discrepancies import Discrepancy
from service_api.domain.moments import parse
from service_api.log import driver
from service_api.log.engines import QuickReader
from service_api.log.store import Book
from service_api.recording.batch import Batch, Drawn


def judged(
    connection: Connection, changes: driver.Changes, book: Book, batch: Batch, drawn: Drawn
) -> Iterator[Discrepancy]:
    """What stands on the releases of this batch that nobody had asked the gate for, where they are the one that counts.

    Only such releases cost anything here; the units' states and topics are written.
    """
    signed = [
        unit
        for unit, state in drawn.after.items()
        if (r := state.released) is not None
        and r.entry in batch.by_id
        and not (r.gated or r.past)
        and state.identity is not None
    ]
    if not signed:
        return
    from service_api.answering.asking import NOW
    from service_api.answering.releases import ReleaseAnswers
    from service_api.domain.doubts import of_release

    changes.settle()
    engine = connection.engine
    answers = ReleaseAnswers(engine, book, lambda: parse(batch.recorded_at), QuickReader(engine), Path())
    for unit in signed:
        yield from of_release(*answers.both(connection, unit, NOW))
