"""The card of a unit with everything on it, beside a bare row and on a long page; the list of a fleet, page by page."""

import json
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from typing import Any
from urllib.parse import urlencode

from tests.bench.figures import Measured, figure
from tests.bench.running import ROOT, Bench, Ids, Line, an_entry, q

SHEET = json.loads((ROOT / "seed/sheets/SEL.json").read_text("utf-8"))
FULL, SHORT = 10_000, 10
FLEET, PAGE = 5000, 500
OLD = {"source": {"kind": "history", "ref": "ledger"}}
FOUR_TIMES, A_THIRD_MORE = 0.25, 0.77  # in requests a second


@figure("card, 20 slots, 15 characteristics, 10,000 entries / bare GET by key", at_least=FOUR_TIMES)
def card(bench: Bench) -> Measured:
    ours, bare = bench.service.address, bench.bare
    path = f"/v1/units/{carded(bench, FULL)}/card"
    return bench.ratios(lambda: bench.get(ours, path, 1).rate, lambda: bench.get(bare, "/get/FB-0000042", 1).rate)


@figure("the same card at 10,000 / at 10 entries", at_least=A_THIRD_MORE)
def card_growth(bench: Bench) -> Measured:
    ours = bench.service.address
    long, short = (f"/v1/units/{carded(bench, n)}/card" for n in (FULL, SHORT))
    return bench.ratios(lambda: bench.get(ours, long, 1).rate, lambda: bench.get(ours, short, 1).rate)


@figure("5,000 units with standing and due, pages of 500 / bare listing", at_least=FOUR_TIMES)
def units(bench: Bench) -> Measured:
    """Pages a second through one connection, from the first to the last."""
    service, bare = bench.service, bench.list_peer
    if "fleet" not in bench.made:
        service.send(_fleet(bench.ids))
        bench.made.add("fleet")
    ours, theirs = Line(service.address, service.bench), Line(bare)

    def path(after: str) -> str:
        return f"/v1/units?{urlencode({'class': 'FLEET', 'limit': PAGE, 'cursor': after})}"

    return bench.ratios(
        lambda: _pages(lambda after: ours(path(after))[0]),
        lambda: _pages(lambda after: theirs(f"/list?after={after}")[0]),
    )


def _pages(ask: Callable[[str], bytes], times: int = 3) -> float:
    """Pages a second. Raises RuntimeError when a page is not full."""
    began = time.perf_counter()
    for _ in range(times):
        for first in range(0, FLEET, PAGE):
            found = ask(f"FLT-{first - 1:04d}" if first else "").count(b'"standing":')
            if found != PAGE:
                raise RuntimeError(f"{found} units on a page")
    return times * FLEET / PAGE / (time.perf_counter() - began)


def carded(bench: Bench, entries: int) -> str:
    """A unit with so many entries on its page; with enough of them every slot is filled and everything measured."""
    name = f"CARD-{entries}"
    if name not in bench.made:
        bench.service.send(entry | OLD for entry in _page(bench.ids, name, entries))
        bench.made.add(name)
    return name


def _page(ids: Ids, name: str, entries: int) -> Iterator[dict[str, Any]]:
    at = datetime(2022, 1, 1, tzinfo=UTC)
    meters = [{"meter": "hours", "uom": "h", "start": "100.0"}]
    known = {"class": "SEL", "serial": f"n{name}", "origin": "used", "meters": meters}
    yield an_entry(ids, "unit.registered", f"unit:{name}", known, at)
    made = 1
    for slot in SHEET["slots"][:20] if entries > 100 else SHEET["slots"][:3]:
        pieces = [{"part_no": f"P-{slot['slot']}", "serial": f"{name}-{slot['slot']}", "qty": slot["pieces"]}]
        fit = {"slot": slot["slot"], "pieces": pieces, "from": "stock"}
        yield an_entry(ids, "part.fitted", f"unit:{name}", fit, at + timedelta(minutes=made))
        made += 1
    for n in range(entries - made):
        at += timedelta(hours=1)
        row = SHEET["characteristics"][n % 15]
        value = row.get("new", [row.get("low", "1")])[0]
        readings = [{"value": value, "position": p} for p in row.get("positions", ())] or [{"value": value}]
        data = {"characteristic": row["code"], "stage": "as_left" if n < 15 else "as_found", "uom": row["uom"]}
        hours = {"readings": readings, "gauge": "G-1", "hours": q(f"{100 + n // 10}.{n % 10}", "h")}
        yield an_entry(ids, "reading.taken", f"unit:{name}", data | hours, at)


def _fleet(ids: Ids) -> Iterator[dict[str, Any]]:
    at = datetime.now(UTC) - timedelta(days=1)
    yield an_entry(ids, "sheet.issued", "class:FLEET", {"rev": 1, "effective_on": "2022-03-01", "sheet": SHEET}, at)
    for number in range(FLEET):
        subject = f"unit:FLT-{number:04d}"
        known = {"class": "FLEET", "serial": f"f{number}", "origin": "used"}
        yield an_entry(ids, "unit.registered", subject, known, at)
        yield an_entry(ids, "service.planned", subject, {"due_on": "2030-01-01"}, at)
