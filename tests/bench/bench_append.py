"""Goal 1: one durable append against a bare one-row insert behind the same server."""

from tests.bench.figures import Measured, figure
from tests.bench.running import Bench


def _append(bench: Bench, clients: int) -> Measured:
    ours, bare = bench.service.address, bench.bare
    return bench.ratios(
        lambda: bench.post(ours, "/v1/entries", clients),
        lambda: bench.post(bare, "/bare", clients),
    )


@figure("append / bare, SQLite, 1 client", at_least=0.30)
def append_1(bench: Bench) -> Measured:
    return _append(bench, 1)


@figure("append / bare, SQLite, 8 clients", at_least=0.95, judged=False)
def append_8(bench: Bench) -> Measured:
    return _append(bench, 8)


@figure("append / bare, SQLite, 32 clients", at_least=1.15, judged=False)
def append_32(bench: Bench) -> Measured:
    return _append(bench, 32)
