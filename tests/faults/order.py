"""Many writers, many readers, one order (B11 to B14): a service that nobody kills, before clients that crowd it."""

import http.client
import json
import random
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

from service_api.domain.ids import uuid7_from
from tests import factories as f
from tests.faults.checks import Clients, faults
from tests.faults.harness import MORE_UNITS, UNITS, Ground, Line, Load, Service

WRITERS, READERS = 16, 3
CROWD = 64
PATIENCE = 120  # seconds in which an entry that is sent again and again has to be acknowledged


def crowd(on: Ground, count: int, seed: int, seconds: float = 600) -> tuple[list[str], int]:
    """B13, B14: so many entries by 16 writers while 3 pull the feed; (what is wrong, how many were acknowledged)."""
    load = Load(on.token, seed, WRITERS, READERS, -(-count // WRITERS), MORE_UNITS, unruly=0.1)
    service = load.up = on.start()
    try:
        load.start()
        load.finish(seconds)
    finally:
        load.written = load.abandoned = True
        service.kill()
    size = on.store.answers(on.book.number).size()
    found = faults(on.store, on.book, load.clients)
    found += [f"feed: somebody who pulled came to {end} of {size}" for end in load.clients.ends if end != size]
    if len(load.clients.ends) != READERS:
        found.append("feed: somebody who pulled never came to the end")
    found += [f"queue: {i} was never acknowledged" for i in load.clients.sent.keys() - load.clients.acked.keys()]
    return found, len(load.clients.acked)


# Hot keys


@dataclass
class Hot:
    """What a crowd was answered. statuses : status -> times; slowest : seconds, of all but one answer in a hundred"""

    faults: list[str]
    statuses: Counter[int]
    slowest: float


def hot_keys(on: Ground, keys: int, seed: int, plant: str | None = None) -> Hot:
    """B12: 64 clients send the same ids at the same moment, under each id one of two contents."""
    dice = random.Random(seed)
    both = [_two_contents(dice, n) for n in range(keys)]
    service, together = on.start(plant), threading.Barrier(CROWD)
    heard: list[tuple[str, str, int, bytes]] = []
    times: list[float] = []

    def client(own: random.Random) -> None:
        line, mine = Line(on.token), own.sample(both, len(both))
        together.wait()
        for contents in mine:
            body = own.choice(contents)
            began = time.monotonic()
            status, text = line.ask(service, "POST", "/v1/entries", body.encode())
            times.append(time.monotonic() - began)
            heard.append((json.loads(body)["id"], body, status, text))
        line.close()

    threads = [threading.Thread(target=client, args=(random.Random(f"{seed} {n}"),)) for n in range(CROWD)]
    try:
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join(600)
    finally:
        service.kill()
    wrong = [f"{t.name} was never answered" for t in threads if t.is_alive()]
    wrong += _one_each(heard)
    wrong += faults(on.store, on.book, Clients())
    return Hot(wrong, Counter(status for _, _, status, _ in heard), sorted(times)[int(len(times) * 0.99)])


def _two_contents(dice: random.Random, n: int) -> list[str]:
    more = {"id": uuid7_from(1_700_000_000_000 + n, dice.getrandbits(12), dice.getrandbits(62)), "unit": UNITS[n % 4]}
    return [json.dumps(f.meter_read(str(hours), **more)) for hours in (100, 200)]


def _one_each(heard: list[tuple[str, str, int, bytes]]) -> Iterator[str]:
    """One 201 for each id; the same content again 200 with the same bytes, another one 409."""
    by_id: dict[str, list[tuple[str, int, bytes]]] = {}
    for ident, body, status, text in heard:
        by_id.setdefault(ident, []).append((body, status, text))
    for ident, answers in by_id.items():
        first = [(body, text) for body, status, text in answers if status == 201]
        if len(first) != 1:
            yield f"{ident}: {len(first)} times 201"
            continue
        ((body, text),) = first
        for sent, status, told in answers:
            if sent == body and (status, told) not in ((201, text), (200, text[:-1] + b',"again":true}')):
                yield f"{ident}: the same again was answered {status} {told[:200]!r}"
            if sent != body and status != 409:
                yield f"{ident}: another content was answered {status}"


# Delivered many times


def repeated(on: Ground, count: int, most: int, seed: int, restarts: int = 2, plant: str | None = None) -> list[str]:
    """B11: each entry is sent 1 to `most` times over 3 connections, replies lost, bodies cut, the service restarted."""
    dice, clients = random.Random(seed), Clients()
    raws = [
        f.meter_read(
            str(100 + n), unit=UNITS[n % 4], id=uuid7_from(1_700_000_000_000 + n, n % 4096, dice.getrandbits(62))
        )
        for n in range(count)
    ]
    todo = [raw for raw in raws for _ in range(dice.randint(1, most))]
    dice.shuffle(todo)
    up: dict[str, Service | None] = {"service": on.start(plant)}
    left = threading.Semaphore(0)
    with proxy(lambda: up["service"], seed) as port:
        threads = [
            threading.Thread(target=_deliver, args=(port, on.token, todo[n::3], clients, left)) for n in range(3)
        ]
        for thread in threads:
            thread.start()
        for _ in range(restarts):
            for _ in range(len(todo) // (restarts + 1)):
                left.acquire(timeout=60)
            service, up["service"] = up["service"], None
            if service is not None:
                service.kill()
            up["service"] = on.start(plant)
        for thread in threads:
            thread.join(600)
        if (service := up["service"]) is not None:
            service.kill()
    clients.sent = {raw["id"]: raw for raw in raws}
    missing = [f"{i} was never acknowledged" for i in clients.sent.keys() - clients.acked.keys()]
    return missing + faults(on.store, on.book, clients)


def _deliver(port: int, token: str, raws: list[dict[str, Any]], clients: Clients, done: threading.Semaphore) -> None:
    headers = {"Authorization": f"Bearer {token}", "Content-Type": "application/json"}
    for raw in raws:
        body, until = json.dumps(raw), time.monotonic() + PATIENCE
        while time.monotonic() < until:
            line = http.client.HTTPConnection("127.0.0.1", port, timeout=15)
            try:
                line.request("POST", "/v1/entries", body, headers)
                answer = line.getresponse()
                status, text = answer.status, answer.read()
            except (OSError, http.client.HTTPException):
                time.sleep(0.01)
                continue
            finally:
                line.close()
            if status in (200, 201):
                first = text.removesuffix(b',"again":true}') + b"}" if status == 200 else text
                if clients.acked.setdefault(raw["id"], first) != first:
                    clients.surprises.append(f"{raw['id']} was answered in two ways")
                clients.times.setdefault(raw["id"], (0, 1))
            else:
                clients.surprises.append(f"{status} {text[:200]!r}")
            break
        done.release()


@contextmanager
def proxy(service: Callable[[], Service | None], seed: int) -> Iterator[int]:
    """A network that loses: some requests are cut in the middle, some delivered twice, some replies never arrive."""
    dice, guard = random.Random(seed), threading.Lock()

    class Lossy(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["Content-Length"]))
            with guard:
                fate = dice.choice(("pass", "pass", "twice", "lose the reply", "cut"))
            self.close_connection = True
            there = service()
            if there is None:
                return
            headers = {name: self.headers[name] for name in ("Authorization", "Content-Type")}
            try:
                if fate == "cut":
                    _cut(there, self.path, headers, body)
                    return
                if fate == "twice":
                    _ask(there, self.path, headers, body)
                status, text = _ask(there, self.path, headers, body)
            except (OSError, http.client.HTTPException):
                return
            if fate != "lose the reply":
                self.send_response(status)
                self.send_header("Content-Length", str(len(text)))
                self.end_headers()
                self.wfile.write(text)

        def log_message(self, *_: object) -> None:
            pass

    with ThreadingHTTPServer(("127.0.0.1", 0), Lossy) as server:
        thread = threading.Thread(target=server.serve_forever)
        thread.start()
        try:
            yield server.server_port
        finally:
            server.shutdown()
            thread.join()


def _ask(service: Service, path: str, headers: dict[str, str], body: bytes) -> tuple[int, bytes]:
    line = http.client.HTTPConnection(service.host, service.port, timeout=15)
    try:
        line.request("POST", path, body, headers)
        answer = line.getresponse()
        return answer.status, answer.read()
    finally:
        line.close()


def _cut(service: Service, path: str, headers: dict[str, str], body: bytes) -> None:
    """Half of the body, then nobody."""
    line = http.client.HTTPConnection(service.host, service.port, timeout=15)
    try:
        line.putrequest("POST", path)
        for name, value in (headers | {"Content-Length": str(len(body))}).items():
            line.putheader(name, value)
        line.endheaders()
        line.send(body[: len(body) // 2])
    finally:
        line.close()
