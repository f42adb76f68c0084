"""Goals 11 and 12: the feed beside the peers' bare paging, its last page beside its first, and how it grows."""

import time
from collections.abc import Callable

from tests.bench.figures import Measured, figure
from tests.bench.running import FED, Bench, Ids, Line, beginnings

PAGE = 1000


@figure("feed / bare paging with Core and json", goal=11, at_least=4.0, aim=6.0, demanded=True)
def feed(bench: Bench) -> Measured:
    """Rows a second through one connection, in pages of a thousand, over as many rows."""
    peer = bench.feed_peer
    return bench.ratios(lambda: FED / _pull(bench, FED), lambda: FED / _pull_bare(peer, "core"))


@figure("feed / the peer's stored bytes", goal=11, at_least=0.5, judged=False)
def feed_floor(bench: Bench) -> Measured:
    """What is left between the feed and bytes that are sent as they lie, without receipts and without a token."""
    peer = bench.feed_peer
    return bench.ratios(lambda: FED / _pull(bench, FED), lambda: FED / _pull_bare(peer, "stored"))


@figure("feed, last page / first page at 100,000", goal=12, at_least=0.95, aim=0.98)
def last_page(bench: Bench) -> Measured:
    """The first page of readings: what registers the units comes before it, and is two thirds as long."""
    last, first = _page(bench, FED - PAGE, PAGE), _page(bench, len(list(beginnings(Ids()))), PAGE)
    return bench.ratios(last, first)


@figure("feed, page of 1,000 / page of 100, per row", goal=12, at_least=2.0, aim=4.0)
def page_size(bench: Bench) -> Measured:
    large, small = _page(bench, 50_000, PAGE), _page(bench, 50_000, 100)
    return bench.ratios(lambda: large() * PAGE, lambda: small() * 100)


@figure("growth: feed, seconds for 100,000 / for 10,000", at_most=11)
def linear(bench: Bench) -> Measured:
    return bench.ratios(lambda: _pull(bench, FED), lambda: _pull(bench, FED // 10))


def _page(bench: Bench, start: int, limit: int) -> Callable[[], float]:
    """Pages a second."""
    service = bench.filled(FED)
    path = f"/v1/feed?from={start}&limit={limit}"
    return lambda: bench.get(service.address, path, 1, service.bench).rate


def _pull(bench: Bench, rows: int) -> float:
    """Seconds for the first so many entries, page after page. Raises RuntimeError when one is missing."""
    service = bench.filled(FED)
    line = Line(service.address, service.bench)
    after = found = 0
    began = time.perf_counter()
    while after < rows:
        text, _ = line(f"/v1/feed?from={after}&limit={PAGE}")
        found += text.count(b',"leaf":"')
        after = int(text[text.rindex(b":") + 1 : -1])
    taken = time.perf_counter() - began
    if found != rows:
        raise RuntimeError(f"{found} entries came")
    return taken


def _pull_bare(address: str, kind: str) -> float:
    """The same from the peer, as its own script pulls it."""
    line = Line(address)
    after = found = 0
    began = time.perf_counter()
    while True:
        text, headers = line(f"/lite/{kind}/{after}")
        after = int(headers["X-Last"])
        if not after:
            break
        found += text.count(b"\n")
    taken = time.perf_counter() - began
    if found != FED:
        raise RuntimeError(f"{found} rows came")
    return taken
