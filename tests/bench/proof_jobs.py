"""`python -m tests.bench.proof_jobs JOB ARGUMENT...`: what bench_proof measures in a process of its own."""

import contextlib
import io
import json
import sys
import time
from collections.abc import Callable, Iterator
from hashlib import sha256
from pathlib import Path

ORIGIN, SEED = "audit.example/book", bytes(32)
PAGES = 2_000


def look(data: str, form: str) -> float:
    """Entries a second that are looked through from the inside."""
    from service_api.app import Store
    from service_api.ops.leaves import Leaves
    from service_api.settings import read_settings

    store = Store(read_settings({}, data), doing="")
    try:
        (book,) = store.books()
        size, root = _head(store, book.number)
        began = time.perf_counter()
        found = Leaves(store.quickly, book.number, size, form=bool(form)).look()
        found.against(root)
        taken = time.perf_counter() - began
    finally:
        store.close()
    if found.wrongs:
        raise RuntimeError(f"{len(found.wrongs)} wrong: {found.wrongs[0]}")
    return size / taken


def _head(store: object, book: int) -> tuple[int, bytes]:
    from service_api.log.store import head_of

    return head_of(store.quickly, book)  # type: ignore[attr-defined]


def hashes(data: str) -> float:
    """Entries a second of three hashes each, in memory."""
    import sqlite3

    with contextlib.closing(sqlite3.connect(f"file:{Path(data, 'fettlebook.db')}?mode=ro", uri=True)) as store:
        texts = [text for (text,) in store.execute("SELECT hashed FROM entry WHERE book = 1")]
    began = time.perf_counter()
    for text in texts:
        sha256(text).digest()
        sha256(text).digest()
        sha256(text).digest()
    return len(texts) / (time.perf_counter() - began)


def moment(n: int) -> str:
    """Ten entries a second."""
    return f"2026-01-{n // 864_000 + 1:02}T{n // 36_000 % 24:02}:{n // 600 % 60:02}:{n // 10 % 60:02}.000Z"


def _texts(first: int, stop: int) -> Iterator[bytes]:
    """Readings of 600 bytes, a page after the other."""
    for n in range(first, stop):
        entry = {
            "by": "o.tamsley",
            "data": {"characteristic": "SEL-BL", "readings": [{"position": "25", "value": f"0.{n % 90 + 10}"}]},
            "id": f"01990000-0000-7000-8000-{n:012x}",
            "index": n,
            "note": "x" * 250,
            "occurred_at": "2026-01-05T12:00:00+01:00",
            "recorded_at": moment(n),
            "recorded_by": "t-1",
            "seq": n // PAGES,
            "subject": f"unit:U-{n % PAGES}",
            "type": "reading.taken",
            "v": 1,
        }
        yield json.dumps(entry, separators=(",", ":")).encode()


def audit_copy(folder: str, size: str, first: str = "0") -> float:
    """A copy of so many entries, with its checkpoint; entries from `first` on are written."""
    from service_api.log import tiles
    from service_api.log.merkle import Frontier, leaf_hash
    from service_api.log.notes import Checkpoint, Signer, sign

    where, stop = Path(folder), int(size)
    signer = Signer(ORIGIN, SEED)
    frontier = Frontier()
    width = tiles.WIDTH
    for number in range(-(-stop // width)):
        texts = list(_texts(number * width, min(stop, (number + 1) * width)))
        leaves = [leaf_hash(text) for text in texts]
        for leaf in leaves:
            frontier.push(leaf)
        if (number + 1) * width <= int(first):
            continue
        for kind, content in (("entries", tiles.bundle(texts)), (0, b"".join(leaves))):
            file = where / "tile" / tiles.Name(kind, number, len(texts)).path  # type: ignore[arg-type]
            file.parent.mkdir(parents=True, exist_ok=True)
            file.write_bytes(content)
    note = sign(str(Checkpoint(ORIGIN, stop, frontier.root())), signer)
    (where / "checkpoints").mkdir(exist_ok=True)
    (where / "checkpoints" / f"{stop:015}-{sha256(note.encode()).hexdigest()[:16]}").write_text(note)
    (where / "keys").write_text(f"{signer.verifier}\n")
    return float(stop)


def audit_grown(folder: str, more: str) -> float:
    """The same copy with so many entries more."""
    size = max(int(f.name.split("-")[0]) for f in (Path(folder) / "checkpoints").iterdir())
    return audit_copy(folder, str(size + int(more)), str(size))


def audit(folder: str, what: str) -> float:
    """Seconds of a check of `all` of a copy, the processor's for what is `new`, or the most MB of a whole one."""
    from fettlebook_audit.cli import main

    clock = time.process_time if what == "new" else time.perf_counter
    began = clock()
    with contextlib.redirect_stdout(io.StringIO()) as said:
        status = main(["check", folder, *(["--all"] if what != "new" else [])])
    taken = clock() - began
    if status:
        raise RuntimeError(said.getvalue())
    if what == "memory":
        lines = Path("/proc/self/status").read_text().splitlines()
        return int(next(line.split()[1] for line in lines if line.startswith("VmHWM"))) / 1000
    return taken


JOBS: dict[str, Callable[..., float]] = {f.__name__: f for f in (look, hashes, audit_copy, audit_grown, audit)}

if __name__ == "__main__":
    print(JOBS[sys.argv[1]](*sys.argv[2:]))
