"""Issue 4: what the look-up of the token and the matrix cost an append and a condition read; and whether time tells who
wears a badge (GOALS B25).

The door is taken out here, in this process and around the application; the product has no switch for it.
"""

import io
import json
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from typing import Any

from service_api import permits
from service_api.app import Store, create_app
from service_api.directory import people, tokens
from service_api.http import auth
from service_api.settings import read_settings
from service_api.wire.entries import read_draft
from tests.bench.figures import Measured, figure
from tests.bench.running import Bench, an_entry, reading, registered
from tests.faults.guessing import sign_in_times

UNIT = "ACC-1"
MANY = {"append": 300, "read": 2000}
GUESSES = 400  # of each way to be wrong; a release run takes 20,000


class Depot:
    """A store with one unit, asked as a WSGI server asks, in this process."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        self.store = Store(read_settings({}, str(bench.fresh("access"))))
        self.book = self.store.new_book("access.example/depot", "+01:00")
        with self.store.writing.begin() as connection:
            people.add_person(connection, self.book.number, "b.one", "B One", "manager")
            made, self.text = tokens.new_token(connection, self.book.number, "bench", self.store.clock())
            people.add_person(connection, self.book.number, "b.two", "B Two", "bench", badge="FP.TWO", pin="4711")
        self.token = made
        self.app = create_app(self.store)
        admin = permits.Sender("t-bench", vouches=True)
        first = [an_entry(bench.ids, "unit.registered", "unit:G-1", {"class": "GDIAL", "origin": "used"}, now())]
        drafts = [read_draft(raw) for raw in (*first, *registered(bench.ids, UNIT, now()))]
        refused = [o.refusal for o in self.store.recorder(self.book.number).record(drafts, admin) if o.refusal]
        if refused:
            raise RuntimeError(str(refused[0]))

    def ask(self, method: str, path: str, body: bytes = b"") -> None:
        status: list[str] = []
        environ = {
            "REQUEST_METHOD": method,
            "PATH_INFO": path,
            "SERVER_NAME": "bench",
            "SERVER_PORT": "80",
            "SERVER_PROTOCOL": "HTTP/1.1",
            "HTTP_AUTHORIZATION": f"Bearer {self.text}",
            "CONTENT_TYPE": "application/json",
            "CONTENT_LENGTH": str(len(body)),
            "wsgi.input": io.BytesIO(body),
            "wsgi.errors": io.StringIO(),
            "wsgi.url_scheme": "http",
        }
        answer = self.app(environ, lambda said, headers, exc=None: status.append(said))
        for _ in answer:
            pass
        if status[0][:3] not in ("200", "201"):
            raise RuntimeError(status[0])

    def appends(self) -> float:
        """Appends a second, one at a time."""
        bodies = [json.dumps(reading(self.bench.ids, UNIT, now())).encode() for _ in range(MANY["append"])]
        return _rate(lambda n: self.ask("POST", "/v1/entries", bodies[n]), len(bodies))

    def reads(self) -> float:
        path = f"/v1/units/{UNIT}/condition"
        return _rate(lambda _: self.ask("GET", path), MANY["read"])

    @contextmanager
    def without(self) -> Iterator[None]:
        """No token is looked up, nothing is asked of the matrix: every request is this token's, every entry may be."""
        kept = auth.find, auth.live, auth.may_enter, permits.barred
        auth.find = auth.live = lambda *_: self.token  # type: ignore[assignment]
        auth.may_enter = lambda *_: True  # type: ignore[assignment]
        permits.barred = lambda *_: None  # type: ignore[assignment]
        try:
            yield
        finally:
            auth.find, auth.live, auth.may_enter, permits.barred = kept


def now() -> datetime:
    return datetime.now(UTC)


def _rate(one: Callable[[int], Any], times: int) -> float:
    began = time.perf_counter()
    for n in range(times):
        one(n)
    return times / (time.perf_counter() - began)


def _with_and_without(bench: Bench, what: str) -> Measured:
    depot = Depot(bench)

    def bare() -> float:
        with depot.without():
            return float(getattr(depot, what)())

    try:
        return bench.ratios(getattr(depot, what), bare)
    finally:
        depot.store.close()


@figure("append with token and matrix / without", at_least=0.90)
def appends(bench: Bench) -> Measured:
    return _with_and_without(bench, "appends")


@figure("condition read with token and matrix / without", at_least=0.90)
def reads(bench: Bench) -> Measured:
    """Asked at the application itself: a server in front would make the share smaller."""
    return _with_and_without(bench, "reads")


@figure("Welch's t of the time that an unknown badge takes, against a wrong PIN", at_most=4.5)
def badge_times(bench: Bench) -> Measured:
    """GOALS B25, interleaved, the slowest tenth cut; |t| of the worse of: unknown badge, somebody shut out."""
    depot = Depot(bench)
    try:
        return Measured((sign_in_times(depot.store, depot.book.number, "FP.TWO", GUESSES),), note=f"{GUESSES} of each")
    finally:
        depot.store.close()
