"""One long stream of entries into a running service: what it answers line by line, and what it holds in memory."""

import http.client
import json
import random
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from service_api.domain.ids import uuid7_from
from tests import factories as f
from tests.faults.harness import UNITS, Service

LOOKS = 200  # at the memory, over one stream
NDJSON = "application/x-ndjson"


@dataclass
class Streamed:
    """What the service said and held.

    statuses : how often each status was answered; last : the last line; wrong : lines that stand in another place
    memory : [MiB] of resident memory, at even distances of the lines answered
    """

    statuses: dict[int, int] = field(default_factory=dict)
    last: dict[str, Any] = field(default_factory=dict)
    wrong: list[str] = field(default_factory=list)
    memory: list[float] = field(default_factory=list)

    def growth(self) -> float:
        """How much more it held at most in the last tenth of the stream than after the first fifth, as a share."""
        return max(self.memory[-len(self.memory) // 10 :]) / self.memory[len(self.memory) // 5] - 1


def entries(number: int, seed: int) -> Iterator[dict[str, Any]]:
    """So many facts as a shop makes them, one a minute and the last an hour ago: scans, hours, readings, new lots."""
    dice, last = random.Random(seed), datetime.now(UTC) - timedelta(hours=1)
    for n in range(number):
        at = last - timedelta(minutes=number - n)
        ident = uuid7_from(int(at.timestamp() * 1000), dice.getrandbits(12), dice.getrandbits(62))
        more = {"id": ident, "occurred_at": at.isoformat(timespec="seconds"), "source": {"kind": "history"}}
        hours = f"{n / 200:.2f}"  # of 60 minutes a unit is worked for 18: under the 24 a day that a counter can gain
        unit = dice.choice(UNITS)
        made = dice.randrange(4)
        if made == 0:
            yield f.lot_received(f"L-{seed}-{n}", **more)
        elif made == 1:
            yield f.meter_read(hours, unit=unit, **more)
        elif made == 2:
            yield f.reading("0.20", unit=unit, **more)
        else:
            yield f.scanned(unit=unit, **more)


def stream(service: Service, token: str, raws: Iterator[dict[str, Any]], number: int) -> Streamed:
    """Send the entries in one request, of which there are so many, and read the answer as it comes."""
    found = Streamed()
    connection = http.client.HTTPConnection(service.host, service.port, timeout=3600)
    headers = {"Authorization": f"Bearer {token}", "Content-Type": NDJSON, "Accept": NDJSON}
    order: list[str] = []

    def lines() -> Iterator[bytes]:
        for raw in raws:
            order.append(raw["id"])
            yield json.dumps(raw).encode() + b"\n"

    connection.request("POST", "/v1/entries", lines(), headers, encode_chunked=True)
    answer = connection.getresponse()
    line, n = answer.readline(), 0
    while following := answer.readline():
        said = json.loads(line)
        found.statuses[said["status"]] = found.statuses.get(said["status"], 0) + 1
        if said["id"] != order[n]:
            found.wrong.append(f"line {n} is {said['id']}, sent was {order[n]}")
        if n % max(1, number // LOOKS) == 0:
            found.memory.append(resident(service.process.pid))
        line, n = following, n + 1
    found.last = json.loads(line)
    connection.close()
    return found


def resident(pid: int) -> float:
    """MiB of memory that a process holds."""
    lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    return next(int(line.split()[1]) / 1024 for line in lines if line.startswith("VmRSS:"))
