"""`python -m tests.bench.jobs JOB ARGUMENT...`: what a job did in a second, or the seconds it took, without imports.

They run in a process of their own, so that nothing that another kept in memory helps.
"""

import hashlib
import multiprocessing
import sqlite3
import sys
import time
from collections.abc import Callable
from datetime import UTC, datetime
from itertools import islice
from pathlib import Path
from typing import Any

BATCH = 100
FILLING = 2_000
TAKEN_UP = 10  # units, or aggregates, before time is taken


def redraw(data: str, processes: str) -> float:
    """Seconds for every projection of the book in this folder."""
    from service_api.app import Store
    from service_api.ops.redraw import redraw
    from service_api.settings import read_settings

    store = Store(read_settings({}, data))
    try:
        (book,) = store.books()
        began = time.perf_counter()
        found = redraw(store, book, processes=int(processes))
        taken = time.perf_counter() - began
    finally:
        store.close()
    if found.put_right:
        raise RuntimeError(f"{found.put_right} rows were not what the log says")
    return taken


def steps(data: str) -> float:
    """Seconds for the same decoding and the same steps over the same entries in a bare loop; nothing is written."""
    from service_api.domain.fold import step
    from service_api.domain.state import begin
    from service_api.domain.timeline import simple_item
    from service_api.wire.entries import read_stored

    store = sqlite3.connect(f"file:{Path(data, 'fettlebook.db')}?mode=ro", uri=True)
    states: dict[str, Any] = {}
    began = time.perf_counter()
    for (text,) in store.execute("SELECT hashed FROM entry WHERE book = 1 ORDER BY log_index"):
        entry = read_stored(text)
        if entry.kind == "unit":
            unit = entry.subject_id
            states[unit] = step(states.get(unit) or begin(unit), simple_item(entry))
    taken = time.perf_counter() - began
    store.close()
    return taken


def _compute(times: int) -> None:
    for _ in range(times):
        hashlib.sha256(bytes(2_000)).digest()  # too short for the interpreter lock to be let go


def cpu(times: str, processes: str) -> float:
    """Seconds for pure computing, shared among processes."""
    workers = [
        multiprocessing.Process(target=_compute, args=(int(times) // int(processes),)) for _ in range(int(processes))
    ]
    began = time.perf_counter()
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join()
    return time.perf_counter() - began


def record(data: str, batches: str) -> float:
    """Entries recorded a second, in batches of one unit each, from JSON texts to the answers.

    Both sides as the goal has them: neither checks a schema, so the entries were checked before and are read, brought
    into canonical form, hashed and recorded here; neither reads what it adds to, so the units are ten that had a batch.
    """
    from service_api.app import Store
    from service_api.permits import Sender
    from service_api.settings import read_settings
    from service_api.wire.canonical import load
    from service_api.wire.entries import drafted, read_draft
    from tests.bench.running import Ids, compact, reading, unit

    store = Store(read_settings({}, data))
    try:
        recorder, ids, sender = store.recorder(1), Ids(), Sender("bench", vouches=True)
        tablet = f"tablet-{time.monotonic_ns()}"  # one that begins with 1: another round had its own
        taken = 0.0
        for n in range(-TAKEN_UP, int(batches)):
            raws = [reading(ids, unit(n % TAKEN_UP), datetime.now(UTC)) for _ in range(BATCH)]
            raws = [
                raw | {"device": {"id": tablet, "seq": n * BATCH + k}} for k, raw in enumerate(raws, TAKEN_UP * BATCH)
            ]
            told = [(compact(raw).encode(), read_draft(raw).entry) for raw in raws]
            began = time.perf_counter()
            outcomes = recorder.record([drafted(load(text), entry) for text, entry in told], sender)
            taken += time.perf_counter() - began if n >= 0 else 0.0
            if any(o.status != "recorded" for o in outcomes):
                raise RuntimeError("refused")
        return int(batches) * BATCH / taken
    finally:
        store.close()


def fill(data: str, entries: str) -> float:
    """Entries recorded a second, thousands at a time, until it is the kept book of so many; it may begin half-way."""
    from service_api.app import Store
    from service_api.permits import Sender
    from service_api.settings import read_settings
    from service_api.wire.entries import read_draft
    from tests.bench.running import Ids, kept

    store, told = Store(read_settings({}, data)), kept(Ids(), int(entries))
    try:
        recorder, there = store.recorder(1), store.answers(1).size()
        next(islice(told, there, there), None)
        began, done = time.perf_counter(), 0
        while batch := [read_draft(entry) for entry in islice(told, FILLING)]:
            outcomes = recorder.record(batch, Sender("bench", vouches=True))
            if any(o.status != "recorded" for o in outcomes):
                raise RuntimeError("refused")
            done += len(batch)
            if done % (25 * FILLING) == 0:
                rate = done / (time.perf_counter() - began)
                print(f"{there + done:,} entries, {rate:,.0f}/s", file=sys.stderr, flush=True)
        return done / (time.perf_counter() - began)
    finally:
        store.close()


def _application(data: str) -> Any:
    """An application of the library `eventsourcing` on an SQLite file of its own."""
    from eventsourcing.application import Application

    file = str(Path(data, f"{time.monotonic_ns()}.db"))
    return Application({"PERSISTENCE_MODULE": "eventsourcing.sqlite", "SQLITE_DBNAME": file})


def save(data: str, batches: str) -> float:
    """Events saved a second, an aggregate of a hundred at a time."""
    from tests.bench.aggregate import Asset
    from tests.bench.running import Ids, reading

    application = _application(data)
    body = reading(Ids(), "SEL-0001", datetime.now(UTC))
    taken = 0.0
    for n in range(-TAKEN_UP, int(batches)):
        began = time.perf_counter()
        one = Asset()
        for _ in range(BATCH - 1):
            one.measure(body)
        application.save(one)
        taken += time.perf_counter() - began if n >= 0 else 0.0
    return int(batches) * BATCH / taken


def replay(data: str, events: str) -> float:
    """Events replayed a second into a small projection."""
    from tests.bench.aggregate import Asset
    from tests.bench.running import Ids, reading

    application = _application(data)
    body = reading(Ids(), "SEL-0001", datetime.now(UTC))
    for _ in range(int(events) // BATCH):
        one = Asset()
        for _ in range(BATCH - 1):
            one.measure(body)
        application.save(one)
    state: dict[Any, list[Any]] = {}
    start, found = 1, 0
    began = time.perf_counter()
    while batch := application.recorder.select_notifications(start, 1000):
        for notification in batch:
            told = application.mapper.to_domain_event(notification)
            if type(told).__name__ == "Measured":
                one = state.setdefault(told.originator_id, [0, None])
                one[0] += 1
                one[1] = told.reading["data"]["stage"]
        found += len(batch)
        start = batch[-1].id + 1
    return found / (time.perf_counter() - began)


JOBS: dict[str, Callable[..., float]] = {f.__name__: f for f in (redraw, steps, cpu, record, fill, save, replay)}

if __name__ == "__main__":
    print(JOBS[sys.argv[1]](*sys.argv[2:]))
