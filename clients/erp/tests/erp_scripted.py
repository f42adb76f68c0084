"""A small service that gives the changes it was told to hold, and has the faults that a test scripts."""

import json
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import parse_qs, urlsplit

Fault = Callable[[BaseHTTPRequestHandler], None]
TOKEN = "fb_erp_made-up-for-tests"


def change(index: int, unit: str, standing: str = "ready") -> dict[str, Any]:
    """One row as the contract has it, with a letter that is not ASCII in it."""
    condition = {"unit": unit, "standing": standing, "why": "geprüft", "hours": {"value": "12.50", "uom": "h"}}
    return {"cursor": f"{index}:{unit}", "index": index, "unit": unit, "changed": ["hours"], "condition": condition}


# 9 rows of 7 entries, of which entry 3 moves three units and entry 5 none
ROWS = [change(i, u) for i, u in [(0, "A-1"), (1, "A-2"), (2, "A-1"), (3, "A-1"), (3, "A-2"), (3, "A-3")]]
ROWS += [change(4, "A-2"), change(6, "A-1"), change(6, "A-3")]
SIZE = 7


class Scripted:
    """What the server holds and what it was asked. `faults` are taken one a request, None being a right answer."""

    def __init__(self) -> None:
        self.rows = list(ROWS)
        self.size = SIZE
        self.generation = "1"
        self.faults: list[Fault | None] = []
        self.asked: list[tuple[str, dict[str, str]]] = []
        self.tokens: set[str | None] = set()
        self.url = ""

    def froms(self) -> list[str]:
        return [query["from"] for path, query in self.asked if path == "/v1/changes"]

    def changes(self, start: str, limit: int) -> dict[str, Any]:
        """CONTRACT C, changes: `from` is inclusive, `next` is what to send as `from`; past the end it is unchanged."""
        index, _, unit = start.partition(":")
        found = [r for r in self.rows if (r["index"], r["unit"]) >= (int(index), unit)]
        after = found[limit]["cursor"] if len(found) > limit else str(max(self.size, int(index)))
        return {"changes": found[:limit], "next": after, "generation": self.generation}

    def answer(self, path: str, query: dict[str, str]) -> Any:
        if path == "/v1/feed":
            held = range(self.size)[int(query["from"]) :][: int(query["limit"])]
            return {"entries": [{"index": i} for i in held], "next": int(query["from"]) + len(held)}
        return self.changes(query["from"], int(query["limit"]))


def give(
    handler: BaseHTTPRequestHandler, status: int, body: bytes, headers: dict[str, str] | None = None, cut: int = 0
) -> None:
    """A reply; `cut` bytes that its length promises never come."""
    handler.send_response(status)
    for name, value in ({"Content-Type": "application/json"} | (headers or {})).items():
        handler.send_header(name, value)
    handler.send_header("Content-Length", str(len(body)))
    handler.end_headers()
    handler.wfile.write(body[: len(body) - cut])
    if cut:
        handler.close_connection = True


def says(status: int, title: str = "", **headers: str) -> Fault:
    """A refusal as a problem document."""
    body = json.dumps({"title": title, "status": status, "detail": "as scripted"}).encode()
    return lambda handler: give(handler, status, body, {n.replace("_", "-"): v for n, v in headers.items()})


def replies(value: Any) -> Fault:
    return lambda handler: give(handler, 200, value if isinstance(value, bytes) else json.dumps(value).encode())


@contextmanager
def scripted() -> Iterator[Scripted]:
    held = Scripted()

    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"
        wbufsize = 65536  # headers and body go out together

        def do_GET(self) -> None:
            parts = urlsplit(self.path)
            query = {name: values[0] for name, values in parse_qs(parts.query).items()}
            held.asked.append((parts.path, query))
            held.tokens.add(self.headers["Authorization"])
            fault = held.faults.pop(0) if held.faults else None
            if fault is not None:
                fault(self)
            else:
                give(self, 200, json.dumps(held.answer(parts.path, query)).encode())

        def log_message(self, *_: Any) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    server.daemon_threads = True
    held.url = f"http://127.0.0.1:{server.server_port}"
    thread = threading.Thread(target=server.serve_forever, args=(0.02,))
    thread.start()
    try:
        yield held
    finally:
        server.shutdown()
        thread.join()
        server.server_close()
