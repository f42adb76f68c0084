"""Pages of the book read back: entries as dataclasses, histories, states. What recording and answering share."""

from binascii import hexlify
from collections.abc import Callable, Iterable, Sequence
from datetime import UTC, date, datetime
from functools import partial
from uuid import UUID

from sqlalchemy import Connection

from service_api.domain.alerts import Alert
from service_api.domain.authorisations import Authorisations, End, Grant
from service_api.domain.context import SheetRevision
from service_api.domain.entries.issued import SheetIssued
from service_api.domain.entry import Recorded
from service_api.domain.fold import step
from service_api.domain.gauges import Calibration, GaugeRecord
from service_api.domain.state import UnitState, begin, witness
from service_api.domain.timeline import Item, Key, effective_history, facts, fold, reach
from service_api.log import driver, store
from service_api.projections import units
from service_api.wire.entries import read_stored
from service_api.wire.said import UNREADABLE, has_form

Heard = Callable[[Recorded], bool]
CORRECTING = ("entry.superseded", "entry.withdrawn", "entry.reattributed", "entry.disputed", "dispute.settled")


def read_entries(connection: Connection, book: int, indexes: Iterable[int]) -> list[Recorded]:
    return [read_stored(stored.hashed) for stored in store.texts(connection, book, indexes)]


def history_of(
    connection: Connection,
    book: int,
    subject: str,
    known: int | None = None,
    types: tuple[str, ...] | None = None,
) -> list[Item]:
    """The effective history of a subject as far as it was known; with `types`, of those and of all corrections."""
    if types is not None:
        types = (*types, *CORRECTING)
    indexes = units.indexes(connection, book, subject, below=known, types=types)
    return effective_history(read_entries(connection, book, indexes), subject)


def revision_of(item: Item | Recorded) -> SheetRevision:
    entry = item.entry if isinstance(item, Item) else item
    body: SheetIssued = item.body
    index = item.touched if isinstance(item, Item) else entry.index
    on = date.fromisoformat(body.effective_on)
    return SheetRevision(entry.subject_id, body.rev, on, body.sheet, entry.id, index)


def sheet_revisions(connection: Connection, book: int, class_: str, known: int | None = None) -> list[SheetRevision]:
    """Every revision of a class's sheet that was issued, in the order of issue."""
    page = history_of(connection, book, f"class:{class_}", known)
    return [revision_of(i) for i in facts(page) if i.entry.type == "sheet.issued"]


def gauge_record(connection: Connection, book: int, gauge: str, known: int | None = None) -> GaugeRecord:
    """A gauge's calibrations, as far as they were known."""
    page = facts(history_of(connection, book, f"unit:{gauge}", known, types=("gauge.calibrated",)))
    made = [Calibration(i.entry.id, i.touched, i.at, i.body) for i in page if i.entry.type == "gauge.calibrated"]
    last = units.last_index(connection, book, f"unit:{gauge}", below=known, types=("gauge.calibrated", *CORRECTING))
    return GaugeRecord(gauge, tuple(made), last)


def authorisations(connection: Connection, book: int, person: str, known: int | None = None) -> Authorisations:
    """What a person was authorised to do, as far as it was known."""
    page = facts(history_of(connection, book, f"person:{person}", known))
    grants = [
        Grant(
            i.entry.id,
            i.touched,
            i.body.classes,
            i.body.tasks,
            date.fromisoformat(i.body.from_on),
            None if i.body.until_on is None else date.fromisoformat(i.body.until_on),
            i.body.level,
        )
        for i in page
        if i.entry.type == "authorisation.granted"
    ]
    ends = [
        End(i.entry.id, i.touched, i.body.tasks, date.fromisoformat(i.body.on))
        for i in page
        if i.entry.type == "authorisation.ended"
    ]
    last = units.last_index(connection, book, f"person:{person}", below=known)
    return Authorisations(person, tuple(grants), tuple(ends), last)


def open_alerts(connection: Connection, book: int, known: int | None = None) -> list[Alert]:
    """The alerts that were issued and not closed."""
    issued = read_entries(connection, book, units.indexes(connection, book, "alerts", below=known))
    found = []
    for subject in dict.fromkeys(e.subject for e in issued):
        page = facts(history_of(connection, book, subject, known))
        if any(i.entry.type == "alert.closed" for i in page):
            continue
        found += [
            Alert(
                i.entry.subject_id,
                i.entry.id,
                i.touched,
                i.at.astimezone(UTC),
                i.body.action,
                i.body.scope,
                i.body.words,
            )
            for i in page
            if i.entry.type == "alert.issued"
        ]
    return found


def draw_unit(
    connection: Connection,
    book: int,
    unit: str,
    known: int | None = None,
    true_at: datetime | None = None,
    before: Key | None = None,
    heard: Heard | None = None,
) -> UnitState:
    """A unit's state, folded from its whole page: the first `known` entries of the book, facts up to `true_at`.

    before : of those only what comes before a key; heard : and only the entries that it says yes to
    """
    page = read_entries(connection, book, units.indexes(connection, book, f"unit:{unit}", below=known))
    page = page if heard is None else [entry for entry in page if heard(entry)]
    told = facts(effective_history(page, f"unit:{unit}"), true_at)
    cut = told if before is None else [item for item in told if item.key < before]
    state: UnitState = fold(step, begin(unit), cut)
    return witness(state, reach(page, f"unit:{unit}"))


def joined_history(
    connection: Connection,
    book: int,
    unit: str,
    joined: Sequence[str],
    known: int | None = None,
    types: tuple[str, ...] | None = None,
) -> list[Item]:
    """A unit's lines and those of the units that were merged into it, which belong to it too while they are."""
    pages = [history_of(connection, book, f"unit:{one}", known, types) for one in (unit, *joined)]
    return sorted((line for page in pages for line in page), key=lambda line: line.key)


def draw_joined(
    connection: Connection, book: int, unit: str, joined: Sequence[str], known: int | None, true_at: datetime | None
) -> UnitState:
    """The state that these pages make together. The unit's own registration says who it is."""
    lines = joined_history(connection, book, unit, joined, known)
    counting = facts(lines, true_at)
    registered = [i for i in counting if i.entry.type == "unit.registered"]
    own = next((i.key for i in registered if i.entry.subject == f"unit:{unit}"), None)
    dropped = {i.entry.id for i in registered if i.entry.subject != f"unit:{unit}" and own is not None and i.key > own}
    state: UnitState = fold(step, begin(unit), (i for i in counting if i.entry.id not in dropped))
    return witness(state, max((line.touched for line in lines), default=-1))


def find_entry(connection: Connection, book: int, ident: str) -> Recorded | None:
    found = store.known(connection, book, (UUID(ident).bytes,)).get(UUID(ident).bytes)
    if found is None:
        return None
    (stored,) = store.texts(connection, book, (found.index,))
    return read_stored(stored.hashed)


def recorded_answer(connection: Connection, book: int, index: int) -> bytes:
    """An entry as it was answered when it was recorded."""
    (kept,) = store.run_of(partial(driver.rows, connection), book, index, index + 1)
    return entry_answer(*kept)


def entry_answer(hashed: bytes, leaf: bytes, said: bytes | None) -> bytes:
    """The recorded entry and its receipt: the hashed members, then leaf, discrepancies and warnings."""
    return b"".join(_parts(hashed, leaf, said))


def entry_answers(run: Iterable[tuple[bytes, bytes, bytes | None]]) -> bytes:
    """Recorded entries with their receipts, commas between them."""
    parts: list[bytes] = []
    for kept in run:
        parts += _parts(*kept)
        parts.append(b",")
    return b"".join(parts[:-1])


def _parts(hashed: bytes, leaf: bytes, said: bytes | None) -> tuple[bytes, ...]:
    if not said:
        return hashed[:-1], b',"leaf":"', hexlify(leaf), b'",', b'"discrepancies":[],"warnings":[]}'
    return hashed[:-1], b',"leaf":"', hexlify(leaf), b'",', (said if has_form(said) else UNREADABLE)[1:]
