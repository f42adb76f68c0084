"""Goals 15 to 19: looking a book through, its tree, checkpoints and proofs; and what the auditor's check takes."""

import shutil
import subprocess
import sys
import time
from collections.abc import Callable
from functools import partial
from hashlib import sha256
from pathlib import Path
from random import Random
from typing import Any

from service_api.log import proofs
from service_api.log.merkle import Frontier
from service_api.log.notes import Checkpoint, Signer, sign
from service_api.log.tiles import WIDTH
from tests.bench.figures import Measured, NotJudged, figure
from tests.bench.running import MILLION, ROOT, Bench, Line, Service, environment

LEAVES = 200_000
BODY = bytes(600)
PEER_LEAVES = 20_000
SECONDS = 0.4
EVERY = 100  # entries a checkpoint
MANY, FEW = MILLION, 10_000
RANDOM = """
wrk.headers["Authorization"] = "Bearer %s"
request = function() return wrk.format("GET", "/v1/log/proof/inclusion?index=" .. math.random(0, %d)) end
"""


def job(name: str, *arguments: object) -> float:
    command = [sys.executable, "-m", "tests.bench.proof_jobs", name, *map(str, arguments)]
    done = subprocess.run(
        command,
        cwd=ROOT,
        env=environment(PYTHONPATH=f"{ROOT}:{ROOT / 'clients' / 'audit'}"),
        capture_output=True,
        text=True,
    )
    if done.returncode:
        raise RuntimeError(f"{name}: {done.stderr[-2000:]}")
    return float(done.stdout)


def fill(bench: Bench) -> None:
    _copy_of(bench, MANY)


@figure("verify --quick / 3 SHA-256 of each entry in memory", goal=15, at_least=0.45, aim=0.60, demanded=True)
def quick(bench: Bench) -> Measured:
    """Entries a second: leaf, tree, index and running number, read from SQLite."""
    data = bench.copied
    return bench.ratios(lambda: job("look", data, ""), lambda: job("hashes", data))


@figure("verify of the log with canonical form / the same", goal=16, at_least=0.09, aim=0.30)
def whole(bench: Bench) -> Measured:
    data = bench.copied
    return bench.ratios(lambda: job("look", data, "form"), lambda: job("hashes", data))


def rate(one: Callable[[], Any], each: int = 1, seconds: float = SECONDS) -> float:
    """How often a second, `each` at a time."""
    began, times = time.perf_counter(), 0
    while (taken := time.perf_counter() - began) < seconds:
        one()
        times += each
    return times / taken


@figure("Merkle build / its hashes alone", goal=17, at_least=0.80, aim=0.86, demanded=True)
def build(bench: Bench) -> Measured:
    """Leaves a second of a tree of 200,000; the same number of hashes of the same sizes."""

    def floor() -> float:
        began = time.perf_counter()
        for _ in range(LEAVES):
            sha256(b"\0" + BODY).digest()
            sha256(b"\1" + BODY[:64]).digest()
        return LEAVES / (time.perf_counter() - began)

    def ours() -> float:
        began = time.perf_counter()
        node = proofs.nodes_of([sha256(b"\0" + BODY).digest() for _ in range(LEAVES)])
        proofs.root(node, LEAVES)
        return LEAVES / (time.perf_counter() - began)

    return bench.ratios(ours, floor)


@figure("inclusion proofs of 200,000 leaves / of 20,000 by pymerkle", goal=17, at_least=3.0, aim=3.5, demanded=True)
def proof(bench: Bench) -> Measured:
    from pymerkle import InmemoryTree

    peer = InmemoryTree.init_from_entries([b"%d" % n for n in range(PEER_LEAVES)], algorithm="sha256")
    node = proofs.nodes_of([sha256(b"\0%d" % n).digest() for n in range(LEAVES)])
    proofs.root(node, LEAVES)
    any_of = Random(1).randrange
    return bench.ratios(
        lambda: rate(lambda: proofs.inclusion(node, any_of(LEAVES), LEAVES)),
        lambda: rate(lambda: peer.prove_inclusion(1 + any_of(PEER_LEAVES), PEER_LEAVES)),
    )


@figure("tree with a checkpoint signed every 100 entries / tree only", goal=18, at_least=0.65, aim=0.72)
def checkpoints(bench: Bench) -> Measured:
    signer = Signer("bench.example/book", bytes(32))

    def grow(tree: Frontier) -> bytes:
        for _ in range(EVERY):
            tree.push(sha256(b"\0" + BODY).digest())
        return tree.root()

    def signed(tree: Frontier) -> None:
        root = grow(tree)
        sign(str(Checkpoint(signer.name, tree.size, root)), signer)

    return bench.ratios(
        lambda: rate(partial(signed, Frontier()), EVERY), lambda: rate(partial(grow, Frontier()), EVERY)
    )


@figure("proof endpoint / bare GET by key, 1 client", goal=19, at_least=0.70, aim=0.85)
def proof_1(bench: Bench) -> Measured:
    return _proofs_by(bench, 1)


@figure("proof endpoint / bare GET by key, 8 clients", goal=19, at_least=0.70, aim=0.85)
def proof_8(bench: Bench) -> Measured:
    return _proofs_by(bench, 8)


def _proofs_by(bench: Bench, clients: int) -> Measured:
    ours, bare = bench.filled(FEW), bench.bare
    return bench.ratios(
        lambda: _proofs(bench, ours, clients, FEW), lambda: bench.get(bare, "/get/FB-0000042", clients).rate
    )


@figure("proof endpoint at 1,000,000 / at 10,000 leaves", goal=19, at_least=0.90, aim=0.95)
def proof_grown(bench: Bench) -> Measured:
    if not bench.long:
        raise NotJudged("it takes a book of a million entries: --long")
    """Once every tile was asked of: the first proof after a start reads every leaf, the first from a tile its 256."""
    large, small = bench.kept(MANY), bench.filled(FEW)
    for service, size in ((large, MANY), (small, FEW)):
        line = Line(service.address, service.bench)
        for index in range(0, size, WIDTH):
            line(f"/v1/log/proof/inclusion?index={index}")
    return bench.ratios(lambda: _proofs(bench, large, 1, MANY), lambda: _proofs(bench, small, 1, FEW))


def _proofs(bench: Bench, service: Service, clients: int, size: int) -> float:
    """Proofs a second of entries anywhere in the book."""
    script = RANDOM % (service.bench, size - 1)
    return bench.wrk(service.address, "/v1/log/proof/inclusion?index=0", clients, script).rate


@figure("memory of an auditor's check of a whole copy, MB", at_most=100)
def audit_memory(bench: Bench) -> Measured:
    """1,000,000 entries with --long, else 100,000."""
    size = MANY if bench.long else MANY // 10
    folder = _copy_of(bench, size)
    return Measured((job("audit", folder, "memory"),), note=f"{size:,} entries from disk")


@figure("seconds of an auditor's check of 100,000 entries", at_most=5)
def audit_seconds(bench: Bench) -> Measured:
    """GOALS B30."""
    folder = _copy_of(bench, MANY // 10)
    return bench.seconds(lambda: job("audit", folder, "all"))


@figure("auditor's check of 1,000 new entries at 100,000 / at 10,000, processor time", at_most=1.5)
def audit_new(bench: Bench) -> Measured:
    return _new_at(bench, MANY // 10)


@figure("auditor's check of 1,000 new entries at 1,000,000 / at 10,000, processor time", at_most=2.0)
def audit_new_grown(bench: Bench) -> Measured:
    if not bench.long:
        raise NotJudged("it takes a copy of a million entries: --long")
    return _new_at(bench, MANY)


def _new_at(bench: Bench, size: int) -> Measured:
    """What is looked at again is what stands after the last check; of the rest the files' stamps."""
    folders = [_copy_of(bench, each) for each in (size, FEW)]
    for folder in folders:
        job("audit", folder, "new")
        job("audit_grown", folder, 1000)

    def again(folder: Path) -> float:
        kept = (folder / "verified").read_bytes()
        taken = job("audit", folder, "new")
        (folder / "verified").write_bytes(kept)
        return taken

    return bench.ratios(lambda: again(folders[0]), lambda: again(folders[1]))


def _copy_of(bench: Bench, size: int) -> Path:
    """A copy of a book of so many entries, as an auditor has it."""
    kept = bench.books if size == MANY else None  # a smaller one is made to grow
    folder = (kept or bench.folder) / f"copy-{size}"
    if not folder.exists():
        making = folder.with_name(f"{folder.name}.filling")
        shutil.rmtree(making, ignore_errors=True)
        job("audit_copy", making, size)
        making.rename(folder)
    return folder
