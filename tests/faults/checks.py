"""What has to be true of a store after any fault, read from its tables; `clients` is what those outside remember.

The reading goes past the service: plain SQL, hashes from hashlib, the root by the slow rule of the RFC of RFC 6962.
"""

import json
import time
from collections import Counter, defaultdict
from dataclasses import dataclass, field, replace
from hashlib import sha256
from typing import Any
from uuid import UUID

from sqlalchemy import Connection, text

from service_api.app import Store
from service_api.log.conformance import root_by_the_book
from service_api.log.store import Book
from service_api.ops.redraw import redraw
from service_api.ops.swap import CUT
from service_api.projections import tables


@dataclass
class Clients:
    """What everybody outside remembers.

    sent : id -> what was sent; acked : id -> the first answer, byte for byte; times : id -> first sent, first answered
    read : index -> id, as the feed gave it; ends : how far each puller came; surprises : answers that nobody should get
    """

    sent: dict[str, dict[str, Any]] = field(default_factory=dict)
    acked: dict[str, bytes] = field(default_factory=dict)
    times: dict[str, tuple[float, float]] = field(default_factory=dict)
    read: dict[int, str] = field(default_factory=dict)
    ends: list[int] = field(default_factory=list)
    surprises: list[str] = field(default_factory=list)
    again: int = 0


def faults(store: Store, book: Book, clients: Clients) -> list[str]:
    """Everything that is wrong, in words; nothing when every promise was kept. The projections are redrawn."""
    clients = replace(clients, acked=dict(clients.acked), times=dict(clients.times), read=dict(clients.read))
    _wait_for_sessions(store)
    with store.writing.connect() as connection:
        if store.writing.dialect.name == "postgresql":
            connection.execution_options(isolation_level="REPEATABLE READ")
        with connection.begin():
            found = log_faults(connection, book, clients)
            before = projections(connection, book)
    found += [f"surprise: {words}" for words in clients.surprises] + order_faults(clients)
    try:
        redraw(store, book)
    except (LookupError, RuntimeError, ValueError) as error:
        return [*found, f"redraw: {error}"]
    with store.writing.begin() as connection:
        after = projections(connection, book)
    return found + [f"projection {name}: not as redrawn" for name in before if before[name] != after[name]]


def _wait_for_sessions(store: Store) -> None:
    """On a server a killed service leaves sessions that end by themselves."""
    if store.writing.dialect.name != "postgresql":
        return
    others = text(
        "SELECT count(*) FROM pg_stat_activity WHERE datname = current_database() AND pid <> pg_backend_pid()"
    )
    store.quickly.close()
    store.reading.dispose()
    store.appending.dispose()
    for _ in range(100):
        with store.writing.connect() as connection:
            if connection.execute(others).scalar() == 0:
                return
        time.sleep(0.1)
    raise RuntimeError("sessions of a killed service live on")


def projections(connection: Connection, book: Book) -> dict[str, list[Any]]:
    """Every row of every projection, byte for byte, but where pages are cut: a redraw forgets that."""
    return {
        t.name: sorted(map(tuple, connection.execute(t.select().where(t.c.book == book.number))), key=repr)
        for t in tables.metadata.sorted_tables
        if t not in CUT
    }


def log_faults(connection: Connection, book: Book, clients: Clients) -> list[str]:
    def rows(sql: str) -> list[Any]:
        return list(connection.execute(text(sql), {"book": book.number}))

    entries = [
        (n, bytes(h)) for n, h in rows("SELECT log_index, hashed FROM entry WHERE book = :book ORDER BY log_index")
    ]
    read = [(index, hashed, json.loads(hashed)) for index, hashed in entries]
    found = []
    if [index for index, _ in entries] != list(range(len(entries))):
        found.append("index: not 0 to n-1")
    seqs = defaultdict(list)
    for _, _, entry in read:
        seqs[entry["subject"]].append(entry["seq"])
    found += [f"seq: {s} is not 0 to n-1" for s, seq in seqs.items() if seq != list(range(len(seq)))]
    found += [f"id: {i} stands {n} times" for i, n in Counter(e["id"] for _, _, e in read).items() if n > 1]
    found += [f"index: entry {n} says {e['index']}" for n, _, e in read if e["index"] != n]
    stamps = [e["recorded_at"] for _, _, e in read]
    if stamps != sorted(stamps):
        found.append("recorded_at: falls")
    size, root = rows("SELECT size, root FROM log_head WHERE book = :book")[0]
    if size != len(entries):
        found.append(f"head: says {size} entries, there are {len(entries)}")
    if bytes(root) != root_by_the_book([hashed for _, hashed in entries]):
        found.append("root: not that of the entries")
    ids = {UUID(bytes=bytes(i)).hex: n for i, n in rows("SELECT id, log_index FROM entry_id WHERE book = :book")}
    if ids != {UUID(e["id"]).hex: n for n, _, e in read}:
        found.append("ids: not those of the entries")
    said = {n: s and bytes(s) for n, s in rows("SELECT log_index, said FROM receipt WHERE book = :book")}
    if sorted(said) != [n for n, _ in entries]:
        found.append("receipts: not one for each entry")
    kept = {e["id"]: _answer(hashed, said.get(n)) for n, hashed, e in read}
    found += [f"lost: {i} was acknowledged" for i in clients.acked.keys() - kept.keys()]
    found += [f"bytes: {i} is not as answered" for i, a in clients.acked.items() if i in kept and kept[i] != a]
    by_index = {n: e["id"] for n, _, e in read}
    found += [f"feed: gave {i} at {n}" for n, i in clients.read.items() if by_index.get(n) != i]
    return found


def _answer(hashed: bytes, said: bytes | None) -> bytes:
    """CONTRACT: the hashed members, then leaf (RFC 6962: SHA-256 of a zero byte and the text), then what was said."""
    leaf = sha256(b"\0" + hashed).hexdigest().encode()
    return hashed[:-1] + b',"leaf":"' + leaf + b'",' + (said or b'{"discrepancies":[],"warnings":[]}')[1:]


def order_faults(clients: Clients) -> list[str]:
    """What was acknowledged before another was first sent stands before it."""
    index = {i: json.loads(a)["index"] for i, a in clients.acked.items()}
    by_sending = sorted(index, key=lambda i: clients.times[i][0])
    by_answer = sorted(index, key=lambda i: clients.times[i][1])
    found, highest, at = [], -1, 0
    for ident in by_sending:
        while clients.times[by_answer[at]][1] < clients.times[ident][0]:
            highest, at = max(highest, index[by_answer[at]]), at + 1
        if index[ident] < highest:
            found.append(f"order: {ident} at {index[ident]} was sent after {highest} was acknowledged")
    return found
