"""Rows by claim: what facts say of a serial, a label, an id; and by doubt: where those contradict each other now.

A claim row is never changed: a correction adds the next line of its fact.
"""

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence

from sqlalchemy import Connection, bindparam, delete, func, or_, select

from service_api.domain.ledger import LOT, MERGED, Doubt, Line
from service_api.domain.plain import make, plain
from service_api.projections import tables as t
from service_api.projections.units import Write

HEAD = ""  # in the place of a doubt's key: how far the claims of others go that share a key with the page
AT_ONCE = 500


def line_rows(book: int, lines: Iterable[Line]) -> Write:
    return Write(CLAIM, [_claim_row(book, line) for line in lines])


def _claim_row(book: int, line: Line) -> tuple[object, ...]:
    said = json.dumps(line.said, separators=(",", ":"), sort_keys=True, ensure_ascii=False)
    who = (line.entry, line.subject, int(line.live), line.at, line.nth, line.type, said)
    return (book, line.key, line.fact, line.since, *who)


CLAIM = (
    "INSERT INTO claim (book, key, fact, since, entry, subject, live, at, nth, type, said)"
    " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"
)
_C = t.claim.c
_LINES = select(t.claim).where(_C.book == bindparam("book")).order_by(_C.key, _C.fact, _C.since)
_BY_KEY = _LINES.where(_C.key.in_(bindparam("wanted", expanding=True)))
_BY_FACT = _LINES.where(_C.fact == bindparam("fact"))
_KEYS = (
    select(_C.key).distinct().where(_C.book == bindparam("book"), _C.subject == bindparam("subject"))
)  # every key that the page ever claimed


def _read(connection: Connection, query: object, **values: object) -> Iterator[Line]:
    for r in connection.execute(query, values):  # type: ignore[call-overload]
        yield Line(r.key, r.fact, r.since, r.entry, r.subject, bool(r.live), r.at, r.nth, r.type, json.loads(r.said))


def lines_of_keys(
    connection: Connection, book: int, keys: Iterable[str], below: int | None = None
) -> dict[str, list[Line]]:
    """By key, every line of these keys that the first `below` entries wrote."""
    wanted = sorted(keys)
    found: dict[str, list[Line]] = {}
    for start in range(0, len(wanted), AT_ONCE):
        for line in _read(connection, _BY_KEY, book=book, wanted=wanted[start : start + AT_ONCE]):
            if below is None or line.since < below:
                found.setdefault(line.key, []).append(line)
    return found


def lines_of_fact(connection: Connection, book: int, fact: int) -> list[Line]:
    return list(_read(connection, _BY_FACT, book=book, fact=fact))


def pages_of_lots(
    connection: Connection, book: int, lot: str | None = None, below: int | None = None
) -> dict[str, set[str]]:
    """By lot, all of them or one, the pages whose facts ever named it, as far as the first `below` entries say."""
    of_lots = _C.key.between(LOT, LOT[:-1] + "0") if lot is None else _C.key == LOT + lot
    wanted = select(_C.key, _C.subject).distinct().where(_C.book == book, of_lots)
    if below is not None:
        wanted = wanted.where(_C.since < below)
    found: dict[str, set[str]] = {}
    for key, subject in connection.execute(wanted):
        found.setdefault(key.removeprefix(LOT), set()).add(subject)
    return found


def ever_merged(connection: Connection, book: int) -> dict[str, set[str]]:
    """By unit, those into which it ever was merged."""
    wanted = select(_C.key, _C.subject).distinct().where(_C.book == book, _C.key.between(f"{MERGED}/", f"{MERGED}0"))
    found: dict[str, set[str]] = {}
    for key, subject in connection.execute(wanted):
        found.setdefault(subject.partition(":")[2], set()).add(key.partition("/")[2])
    return found


def merges(connection: Connection, book: int, below: int | None = None) -> list[Line]:
    """Every line of a merge of two units that the first `below` entries wrote."""
    of_merges = _LINES.where(_C.key.between(f"{MERGED}/", f"{MERGED}0"))
    return [line for line in _read(connection, of_merges, book=book) if below is None or line.since < below]


def shared_keys(connection: Connection, book: int) -> list[str]:
    """The keys under which more than one fact ever claimed something, and those of merges."""
    more = or_(func.min(_C.fact) != func.max(_C.fact), _C.key.between(f"{MERGED}/", f"{MERGED}0"))
    return list(connection.execute(select(_C.key).where(_C.book == book).group_by(_C.key).having(more)).scalars())


def keys_of(connection: Connection, book: int, subject: str, below: int | None = None) -> set[str]:
    """The keys that facts of a page claimed, as far as the first `below` entries say."""
    wanted = _KEYS if below is None else _KEYS.where(_C.since < below)
    return set(connection.execute(wanted, {"book": book, "subject": subject}).scalars())


# Doubts


def row_key(doubt: Doubt, cause: str) -> str:
    """An entry may raise the same of several things: of two pieces that it fits, say."""
    return f"{doubt.key} {cause}"


def write_doubts(connection: Connection, book: int, by_cause: Mapping[str, Sequence[Doubt]]) -> Write:
    """The rows of these causes, once those before are gone: one on each page that a doubt concerns."""
    causes = sorted(by_cause)
    for start in range(0, len(causes), AT_ONCE):
        there = t.doubt.c.cause.in_(causes[start : start + AT_ONCE])
        connection.execute(delete(t.doubt).where(t.doubt.c.book == book, there))
    rows = []
    for cause, found in by_cause.items():
        for doubt in found:
            said = json.dumps(plain(doubt), separators=(",", ":"), ensure_ascii=False)
            pages = dict.fromkeys((doubt.subject, *(f"unit:{unit}" for unit in doubt.units)))
            rows += [(book, page, row_key(doubt, cause), cause, -1, said) for page in pages]
    return Write(_DOUBT, rows)


def forget_doubts(connection: Connection, book: int, causes: tuple[str, str]) -> None:
    """Take out the doubts of all causes from the one to just before the other."""
    low, high = causes
    connection.execute(delete(t.doubt).where(t.doubt.c.book == book, t.doubt.c.cause >= low, t.doubt.c.cause < high))


def head_rows(book: int, heads: dict[str, int]) -> Write:
    """How far the neighbours of these pages go."""
    return Write(_DOUBT, [(book, subject, HEAD, "", head, "") for subject, head in sorted(heads.items())])


_DOUBT = (
    "INSERT INTO doubt (book, subject, key, cause, head_index, said) VALUES (?, ?, ?, ?, ?, ?)"
    " ON CONFLICT (book, subject, key) DO UPDATE SET cause = excluded.cause, said = excluded.said,"
    " head_index = CASE WHEN excluded.head_index > doubt.head_index THEN excluded.head_index ELSE doubt.head_index END"
)


def doubts_of_causes(connection: Connection, book: int, causes: Iterable[str]) -> dict[str, set[str]]:
    """By cause, the rows of the doubts that stand, by their keys."""
    wanted = sorted(causes)
    found: dict[str, set[str]] = {}
    for start in range(0, len(wanted), AT_ONCE):
        query = select(t.doubt.c.cause, t.doubt.c.key).where(
            t.doubt.c.book == book, t.doubt.c.cause.in_(wanted[start : start + AT_ONCE])
        )
        for row in connection.execute(query):
            found.setdefault(row.cause, set()).add(row.key)
    return found


def doubts_of_shops(connection: Connection, book: int) -> list[Doubt]:
    """What stands now on no unit's page."""
    wanted = select(t.doubt.c.said).where(t.doubt.c.book == book, t.doubt.c.subject.between("shop:", "shop;"))
    found = connection.execute(wanted.order_by(t.doubt.c.subject, t.doubt.c.key)).scalars()
    return [make(Doubt, json.loads(said)) for said in found]


def doubts_on(connection: Connection, book: int, units: Iterable[str]) -> dict[str, tuple[list[Doubt], int]]:
    """By unit, what stands between it and others now, by key, and how far the others go; no unit without either."""
    wanted = [f"unit:{unit}" for unit in units]
    found: dict[str, tuple[list[Doubt], int]] = {}
    for start in range(0, len(wanted), AT_ONCE):
        for r in connection.execute(_ON, {"book": book, "subjects": wanted[start : start + AT_ONCE]}):
            unit = r.subject.partition(":")[2]
            doubts, head = found.get(unit, ([], -1))
            if r.key == HEAD:
                head = r.head_index
            else:
                doubts.append(make(Doubt, json.loads(r.said)))
            found[unit] = (doubts, head)
    return found


_ON = (
    select(t.doubt.c.subject, t.doubt.c.key, t.doubt.c.head_index, t.doubt.c.said)
    .where(t.doubt.c.book == bindparam("book"), t.doubt.c.subject.in_(bindparam("subjects", expanding=True)))
    .order_by(t.doubt.c.subject, t.doubt.c.key)
)
