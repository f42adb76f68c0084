"""What the figures run on: our service and the bare app behind the same server, a load, and rounds with probes."""

import contextlib
import http.client
import importlib.util
import json
import os
import re
import shutil
import socket
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cached_property
from itertools import chain
from pathlib import Path
from types import ModuleType, TracebackType
from typing import Any, NamedTuple
from urllib.parse import urlsplit
from uuid import uuid4

from service_api.domain.moments import in_utc
from tests import postgres
from tests.bench.figures import PEERS, Measured, NotJudged

ROOT = Path(__file__).parents[2]
THREADS = 32  # of the server, for both
UNITS = 1000
LONGEST = 4  # times the rounds asked for, with those that are void
SECONDS = 1
FED = 100_000  # entries of the book that is pulled and redrawn
LONG, ON_LONG = "SEL-9000", 10_000  # a unit of the kept books, and its readings
MILLION = 1_000_000
FETTLEBOOK = [sys.executable, "-m", "service_api.cli"]


def environment(**more: str) -> dict[str, str]:
    """For a process of a run: no settings from outside, and bytecode is kept, as where a service is installed."""
    kept = {k: v for k, v in os.environ.items() if not k.startswith("FETTLEBOOK_") and k != "PYTHONDONTWRITEBYTECODE"}
    return kept | {"PYTHONPATH": str(ROOT)} | more


class Process:
    """A server in a process of its own; `errors` is the file that takes its stderr."""

    def __init__(self, command: list[str], cwd: Path, env: dict[str, str], errors: Path) -> None:
        self.errors = errors
        with errors.open("wb") as stderr:
            self.process = subprocess.Popen(command, cwd=cwd, env=env, stdout=subprocess.PIPE, stderr=stderr, text=True)

    def first_line(self) -> dict[str, Any]:
        """The JSON that the command prints when it serves."""
        assert self.process.stdout is not None
        text = self.process.stdout.readline()
        if not text:
            self.process.wait(10)
            raise RuntimeError(f"the server stopped: {self.errors.read_text()[-2000:]}")
        found: dict[str, Any] = json.loads(text)
        return found

    def stop(self) -> None:
        self.process.terminate()
        try:
            self.process.wait(10)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait(10)
        if self.process.stdout:
            self.process.stdout.close()


def ask(address: str, path: str, token: str = "", body: bytes | None = None, *, seconds: float = 120) -> bytes:
    """The body of a 2xx answer. Raises RuntimeError for any other, OSError while nobody listens."""
    host = urlsplit(address)
    connection = http.client.HTTPConnection(host.hostname or "", host.port, timeout=seconds)
    try:
        headers = {"Content-Type": "application/json"} | ({"Authorization": f"Bearer {token}"} if token else {})
        connection.request("GET" if body is None else "POST", path, body, headers)
        response = connection.getresponse()
        text = response.read()
    finally:
        connection.close()
    if response.status // 100 != 2:
        raise RuntimeError(f"{path}: {response.status} {text[:500]!r}")
    return text


class Line:
    """One connection that is kept, as a client that sends or pulls page after page has it."""

    def __init__(self, address: str, token: str = "") -> None:
        host = urlsplit(address)
        self.connection = http.client.HTTPConnection(host.hostname or "", host.port, timeout=120)
        self.headers = {"Content-Type": "application/json"} | ({"Authorization": f"Bearer {token}"} if token else {})

    def __call__(self, path: str, body: bytes | None = None) -> tuple[bytes, http.client.HTTPMessage]:
        """The body of a 2xx answer and its headers. Raises RuntimeError for any other."""
        self.connection.request("GET" if body is None else "POST", path, body, self.headers)
        response = self.connection.getresponse()
        text = response.read()
        if response.status // 100 != 2:
            raise RuntimeError(f"{path}: {response.status} {text[:500]!r}")
        return text, response.headers


def first_answer(address: str, path: str, token: str = "", *, seconds: float = 30) -> None:
    """Returns as soon as the address answers."""
    until = time.perf_counter() + seconds
    while True:
        try:
            ask(address, path, token, seconds=seconds)
            return
        except OSError:
            if time.perf_counter() > until:
                raise
            time.sleep(0.002)


@dataclass
class Service:
    """A running `fettlebook serve` with the keys to its book."""

    process: Process
    address: str
    admin: str
    bench: str
    data: Path

    def send(self, entries: Iterable[dict[str, Any]]) -> None:
        """Record these, thousands at a time. Raises RuntimeError for the first that is refused."""
        chunk: list[dict[str, Any]] = []
        for entry in chain(entries, (None,)):
            if entry is not None:
                chunk.append(entry)
            if chunk and (entry is None or len(chunk) == 1000):
                answer = json.loads(ask(self.address, "/v1/entries", self.admin, json.dumps(chunk).encode()))
                refused = next((o for o in answer["outcomes"] if o["status"] != 201), None)
                if refused:
                    raise RuntimeError(f"refused: {json.dumps(refused)}")
                chunk = []


class VoidRound(Exception):
    """This round says nothing, for the reason given; another takes its place."""


class Load(NamedTuple):
    """What a load saw: requests a second, and the time in ms within which 99 of 100 were answered."""

    rate: float
    p99: float


class Ids:
    """Time-ordered entry ids in the form of UUID version 7, never the same twice in a run."""

    def __init__(self) -> None:
        self.count = 0

    def __call__(self) -> str:
        self.count += 1
        ms = int(time.time() * 1000)
        return f"{ms >> 16:08x}-{ms & 0xFFFF:04x}-7{self.count >> 12 & 0xFFF:03x}-8{self.count & 0xFFF:03x}-{0:012x}"


def unit(number: int) -> str:
    return f"SEL-{number:04d}"


def compact(value: Any) -> str:
    return json.dumps(value, separators=(",", ":"))


def an_entry(ids: Ids, type_: str, subject: str, data: dict[str, Any], at: datetime) -> dict[str, Any]:
    entry = {"id": ids(), "type": type_, "v": 1, "subject": subject, "by": "b.one", "data": data}
    return entry | {"occurred_at": at.isoformat(timespec="seconds"), "site": "bay"}


def q(value: str, uom: str) -> dict[str, str]:
    return {"value": value, "uom": uom}


CALIBRATION = {
    "certificate": "CAL-1",
    "as_found": [{"at": "0.10", "error": "0.00"}, {"at": "0.50", "error": "0.01"}],
    "uom": "circ",
    "allowed_error": "0.02",
    "range": ["0.00", "1.00"],
    "uncertainty": "0.01",
}


def beginnings(ids: Ids) -> Iterator[dict[str, Any]]:
    """A sheet, a gauge with a calibration, and a thousand registered units that hold a nut."""
    at = datetime.now(UTC) - timedelta(days=1)
    sheet = json.loads((ROOT / "seed/sheets/SEL.json").read_text("utf-8"))
    yield an_entry(ids, "sheet.issued", "class:SEL", {"rev": 1, "effective_on": "2022-03-01", "sheet": sheet}, at)
    yield an_entry(ids, "unit.registered", "unit:G-1", {"class": "GDIAL", "origin": "used", "family": "gauge"}, at)
    due = {"due": f"{at + timedelta(days=365):%Y-%m-%d}"}
    yield an_entry(ids, "gauge.calibrated", "unit:G-1", CALIBRATION | due, at)
    for number in range(UNITS):
        yield from registered(ids, unit(number), at)


def registered(ids: Ids, name: str, at: datetime) -> Iterator[dict[str, Any]]:
    meters = [{"meter": "hours", "uom": "h", "rolls_at": "10000", "start": "100.0"}]
    known = {"class": "SEL", "serial": f"n{name}", "origin": "used", "family": "machine", "meters": meters}
    yield an_entry(ids, "unit.registered", f"unit:{name}", known, at)
    nut = {"slot": "feed-nut", "pieces": [{"part_no": "N-1", "lot": "L-1", "qty": 1}], "from": "stock"}
    yield an_entry(ids, "part.fitted", f"unit:{name}", nut, at)


def reading(ids: Ids, name: str, at: datetime, hours: str = "110.0") -> dict[str, Any]:
    """Backlash as found, as the bench page sends it: about 600 bytes."""
    values = [{"value": v, "position": p} for v, p in (("0.11", "25"), ("0.12", "50"), ("0.11", "75"))]
    data = {
        "characteristic": "SEL-BL",
        "stage": "as_found",
        "uom": "circ",
        "readings": values,
        "gauge": "G-1",
        "hours": q(hours, "h"),
        "conditions": {"ambient": q("17", "Cel")},
        "sheet_rev": 1,
    }
    entry = an_entry(ids, "reading.taken", f"unit:{name}", data, at)
    return entry | {
        "client": "bench-page",
        "device": {"id": "tablet-1", "seq": ids.count},
        "job": "J-1",
        "bench": "bench-1",
    }


def in_runs(ids: Ids, entries: int, run: int = 100) -> Iterator[dict[str, Any]]:
    """Readings, a run of them on each unit in turn."""
    for n in range(entries):
        yield reading(ids, unit(n // run % UNITS), datetime.now(UTC))


def kept(ids: Ids, entries: int) -> Iterator[dict[str, Any]]:
    """A book of so many entries with one long page: its beginnings, what is read on LONG, and readings in runs."""
    first = [*beginnings(ids), *registered(ids, LONG, datetime.now(UTC) - timedelta(days=1))]
    yield from first
    yield from (reading(ids, LONG, datetime.now(UTC)) for _ in range(ON_LONG))
    yield from in_runs(ids, entries - len(first) - ON_LONG)


# The load. Both apps get the very same requests: a new id and moment in each, the units in turn.
POST = r"""
local body, token, count, salt = [[%(body)s]], "%(token)s", 0, 0
wrk.method = "POST"
wrk.headers["Content-Type"] = "application/json"
wrk.headers["Authorization"] = "Bearer " .. token
function init(args) salt = tonumber(args[1]) end
function request()
  count = count + 1
  local ms = os.time() * 1000
  local id = string.format("%%08x-%%04x-7%%03x-8%%03x-%%012x", math.floor(ms / 65536), ms %% 65536,
    math.floor(count / 4096) %% 4096, count %% 4096, salt)
  local text = body:gsub("@ID@", id):gsub("@UNIT@", string.format("SEL-%%04d", count %% %(units)d))
  text = text:gsub("@AT@", os.date("!%%Y-%%m-%%dT%%H:%%M:%%SZ")):gsub('"@SEQ@"', math.floor(count / %(devices)d))
  text = text:gsub("@DEVICE@", string.format("tablet-%%d-%%d", salt, count %% %(devices)d))
  text = text:gsub("@AMBIENT@", string.format("17.%%03d%%d", math.floor(count / %(units)d), salt))
  return wrk.format(nil, nil, nil, text)
end
"""
AGAIN = r"""
local bodies, count = {}, 0
wrk.method = "POST"
wrk.headers["Content-Type"] = "application/json"
wrk.headers["Authorization"] = "Bearer %(token)s"
for line in io.lines("%(file)s") do bodies[#bodies + 1] = line end
function request()
  count = count %% #bodies + 1
  return wrk.format(nil, nil, nil, bodies[count])
end
"""
GET = 'wrk.headers["Authorization"] = "Bearer %s"\n'


class Bench:
    """One run: the servers are started when a figure first asks for them, and stopped when the run ends."""

    def __init__(self, rounds: int, long: bool = False, books: Path | None = None) -> None:
        """books : a folder where what takes long to fill is kept, and found the next time"""
        self.rounds, self.long, self.ids, self.loads, self.books = rounds, long, Ids(), 0, books
        self.made: set[str] = set()  # what figures share in our book
        self._filled: dict[int, Service] = {}
        self._served: dict[int, Service] = {}
        self.stack = contextlib.ExitStack()

    def __enter__(self) -> "Bench":
        self.folder = Path(self.stack.enter_context(tempfile.TemporaryDirectory(prefix="bench-")))
        os.environ["PYTHONPYCACHEPREFIX"] = str(self.folder / "bytecode")  # not into the tree
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.stack.close()

    def fresh(self, name: str) -> Path:
        return Path(tempfile.mkdtemp(prefix=f"{name}-", dir=self.folder))

    @cached_property
    def common(self) -> Any:
        """The peers' module of shared pieces; it writes beside the stores."""
        os.environ["PEERS_TMP"] = str(self.folder)
        spec = importlib.util.spec_from_file_location("peer_common", PEERS / "common.py")
        assert spec is not None and spec.loader is not None
        module: ModuleType = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(module)
        return module

    @cached_property
    def noise(self) -> Any:
        """The peers' own probes."""
        return self.common.Noise()

    # The two sides

    @cached_property
    def service(self) -> Service:
        """Our service on a book with a thousand units."""
        service = self._service("ours")
        service.send(reading(self.ids, unit(n), datetime.now(UTC)) for n in range(UNITS))
        return service

    def filled(self, entries: int) -> Service:
        """Our service on a book of so many entries, to which no other load appends: readings in runs of one unit."""
        if entries not in self._filled:
            service = self._service(f"filled-{entries}")
            service.send(in_runs(self.ids, entries - len(list(beginnings(Ids())))))
            self._filled[entries] = service
        return self._filled[entries]

    def kept(self, entries: int) -> Service:
        """Our service on a copy of the kept book of so many entries."""
        if entries not in self._served:
            book, data = self.book(entries), self.fresh(f"kept-{entries}")
            shutil.copytree(book, data, dirs_exist_ok=True)
            keys = json.loads((book / "tokens").read_text())
            process, address = self.serve(data)
            self._served[entries] = Service(process, address, keys["admin"], keys["bench"], data)
        return self._served[entries]

    def book(self, entries: int) -> Path:
        """The folder of the kept book of so many entries; filled, by the recorder, where there is none yet."""
        folder = (self.books or self.folder) / f"book-{entries}"
        if not folder.exists():
            data = folder.with_name(f"{folder.name}.filling")
            if not (data / "tokens").exists():
                shutil.rmtree(data, ignore_errors=True)
                data.mkdir(parents=True)
                admin, key = self._new_book(data)
                (data / "tokens").write_text(json.dumps({"admin": admin, "bench": key}))
            command = [sys.executable, "-m", "tests.bench.jobs", "fill", str(data), str(entries)]
            subprocess.run(command, cwd=ROOT, env=environment(), check=True, stdout=sys.stderr)
            data.rename(folder)
        return folder

    @cached_property
    def on_server(self) -> Service:
        """Our service on a book with a thousand units, on PostgreSQL."""
        service = self._service("on-server", FETTLEBOOK_DATABASE=self.database("ours"))
        service.send(reading(self.ids, unit(n), datetime.now(UTC)) for n in range(UNITS))
        return service

    @cached_property
    def server(self) -> str:
        """The URL of a throw-away PostgreSQL with its default settings."""
        found = postgres.programs()
        if found is None:
            raise NotJudged("no PostgreSQL on this machine")
        return self.stack.enter_context(postgres.throw_away(found))

    def database(self, name: str) -> str:
        return self.stack.enter_context(postgres.database(self.server, name))

    def _service(self, name: str, **env: str) -> Service:
        data = self.fresh(name)
        admin, key = self._new_book(data, **env)
        process, address = self.serve(data, **env)
        service = Service(process, address, admin, key, data)
        service.send(beginnings(self.ids))
        return service

    def _new_book(self, data: Path, **env: str) -> tuple[str, str]:
        """An empty book; the tokens of an admin and of a bench."""
        if env:
            self.command(data, "migrate", **env)
        self.command(data, "book", "new", "bench.example/book", **env)
        self.command(data, "person", "add", "b.one", "--name", "B One", "--role", "manager", **env)
        admin, key = (
            json.loads(self.command(data, "token", "new", "--role", role, **env))["token"]
            for role in ("admin", "bench")
        )
        return admin, key

    def command(self, data: Path, *words: str, **env: str) -> str:
        command = [*FETTLEBOOK, "--data", str(data), "--json", *words]
        done = subprocess.run(command, cwd=ROOT, env=environment(**env), check=True, capture_output=True, text=True)
        return done.stdout

    def serve(self, data: Path, **env: str) -> tuple[Process, str]:
        command = [*FETTLEBOOK, "--data", str(data), "--json", "serve", "--port", "0"]
        process = Process(command, ROOT, environment(**env), data / "stderr")
        self.stack.callback(process.stop)
        return process, process.first_line()["url"]

    def bare_command(self, port: int | str, app: str = "apps:app") -> list[str]:
        return [sys.executable, "-m", "waitress", f"--threads={THREADS}", f"--listen=127.0.0.1:{port}", app]

    @cached_property
    def bare_environment(self) -> dict[str, str]:
        """A store of the bare app with its rows in it."""
        env = environment(PEERS_DB=str(self.fresh("bare") / "bare.db"), PEERS_TMP=str(self.folder))
        subprocess.run([sys.executable, "-c", "import apps; apps.prepare()"], cwd=PEERS, env=env, check=True)
        return env

    @cached_property
    def bare(self) -> str:
        """The address of the bare app."""
        return self.peer("bare", lambda port: self.bare_command(port), self.bare_environment)

    @cached_property
    def bare_on_server(self) -> str:
        """The address of the bare app on the same PostgreSQL, in a database of its own."""
        dsn = self.database("bare").replace("+psycopg", "")
        env = environment(PEERS_DB=str(self.fresh("bare") / "bare.db"), PEERS_TMP=str(self.folder), PEERS_DSN=dsn)
        subprocess.run([sys.executable, "-c", "import apps; apps.prepare()"], cwd=PEERS, env=env, check=True)
        return self.peer("bare-on-server", lambda port: self.bare_command(port), env)

    @cached_property
    def batch_peer(self) -> str:
        """The address of the bare app with a route for batches, on the same store."""
        env = self.bare_environment | {"PYTHONPATH": f"{PEERS.parent}:{PEERS}"}
        return self.peer("batch", lambda port: self.bare_command(port, "batch_peer:app"), env)

    @cached_property
    def list_peer(self) -> str:
        """The address of the bare app with a route that lists units."""
        env = self.bare_environment | {"PYTHONPATH": f"{PEERS.parent}:{PEERS}"}
        return self.peer("list", lambda port: self.bare_command(port, "list_peer:app"), env)

    @cached_property
    def feed_peer(self) -> str:
        """The address of the peers' feed, over as many rows as the book that it is measured against."""
        file = self.fresh("feed") / "feed.db"
        rows = (compact(entry).encode() for entry in in_runs(Ids(), FED))
        store = self.common.sqlite(str(file))
        store.execute(self.common.SQLITE_DDL)
        store.execute("BEGIN")
        at = in_utc(datetime.now(UTC))
        events = ((uuid4().bytes, f"FB-{n % 2000:07d}", n, "wear.measured", at, row) for n, row in enumerate(rows))
        store.executemany(self.common.INSERT, events)
        store.execute("COMMIT")
        store.close()
        env = environment(PEERS_DB=str(file), PEERS_TMP=str(self.folder))
        return self.peer("feed", lambda port: [sys.executable, "-c", f"import s5_feed; s5_feed.serve({port})"], env)

    def peer(self, name: str, command: Callable[[int], list[str]], env: dict[str, str]) -> str:
        """The address of a server that runs until the end."""
        port = free_port()
        process = Process(command(port), PEERS, env, self.folder / f"{name}-stderr")
        self.stack.callback(process.stop)
        address = f"http://127.0.0.1:{port}"
        listening(port)
        return address

    @cached_property
    def copied(self) -> Path:
        """A store of its own with the book that is pulled, which no service holds."""
        return self.copy_of(self.filled(FED))

    def copy_of(self, service: Service) -> Path:
        folder = self.fresh("copy")
        with contextlib.ExitStack() as stack:
            source, target = (
                stack.enter_context(contextlib.closing(sqlite3.connect(d / "fettlebook.db")))
                for d in (service.data, folder)
            )
            source.backup(target)
        return folder

    # Loads

    def wrk(self, address: str, path: str, clients: int, script: str) -> Load:
        """A second of requests. Raises RuntimeError when one of them fails."""
        program = shutil.which("wrk")
        if program is None:
            raise NotJudged("wrk is not installed")
        self.loads += 1
        lua = self.folder / "load.lua"
        lua.write_text(script)
        threads = ["-t1", f"-c{clients}", f"-d{SECONDS}s", "--latency", "-s", str(lua)]
        command = [program, *threads, address + path, "--", str(self.loads)]
        said = subprocess.run(command, capture_output=True, text=True, check=True).stdout
        found = re.search(r"Requests/sec:\s+([\d.]+)", said)
        if found is None or "Non-2xx" in said or "Socket errors" in said:
            raise RuntimeError(f"{path}: {said}")
        slow = re.search(r"99%\s+([\d.]+)(us|ms|s)\b", said)
        if slow is None:
            raise RuntimeError(f"{path}: {said}")
        return Load(float(found[1]), float(slow[1]) * {"us": 1e-3, "ms": 1, "s": 1e3}[slow[2]])

    def post(
        self, address: str, path: str, clients: int, name: str = "@UNIT@", hours: str = "110.0", token: str = ""
    ) -> Load:
        """Readings, each with an id of its own, on the thousand units in turn or on the one that is named."""
        entry = reading(self.ids, name, datetime.now(UTC), hours) | {"id": "@ID@", "occurred_at": "@AT@"}
        entry["device"] = {"id": "@DEVICE@", "seq": "@SEQ@"}
        entry["data"]["conditions"]["ambient"]["value"] = (
            "@AMBIENT@"  # so that it is no other device's entry told twice
        )
        said = {"body": compact(entry), "token": token or self.service.bench, "units": UNITS}
        script = POST % (said | {"devices": 2 * clients})  # none has two entries under way
        return self.wrk(address, path, clients, script)

    def post_again(self, address: str, path: str, clients: int, bodies: Sequence[str]) -> Load:
        """These requests over and over."""
        file = self.folder / "bodies"
        file.write_text("\n".join(bodies))
        return self.wrk(address, path, clients, AGAIN % {"file": file, "token": self.service.bench})

    def get(self, address: str, path: str, clients: int, token: str = "") -> Load:
        return self.wrk(address, path, clients, GET % (token or self.service.bench))

    # Rounds

    def ratios(self, ours: Callable[[], float], peer: Callable[[], float], note: str = "") -> Measured:
        """ours / peer of each round, who goes first taking turns, after a warm-up round.

        A round whose disk probe is under half the median of the figure is void, and another takes its place.
        """
        ours(), peer()
        return self.rounds_of(lambda turn: _ratio(ours, peer, turn), note)

    def seconds(self, taken: Callable[[], float], note: str = "") -> Measured:
        return self.rounds_of(lambda _: (taken(), 1.0), note)

    def rounds_of(self, one: Callable[[int], tuple[float, float]], note: str = "") -> Measured:
        """The ratio of the two values of each round."""
        kept: list[tuple[float, float, float]] = []  # disk probe, ours, peer
        probes: list[float] = []
        void, why = 0, "the disk stalled in every round"
        for turn in range(self.rounds * LONGEST):
            self.noise.probe()
            probes.append(self.noise.disk[-1])
            try:
                kept.append((probes[-1], *one(turn)))
            except VoidRound as reason:
                void, why = void + 1, str(reason)
            good = [k for k in kept if k[0] >= statistics.median(probes) / 2]
            void += len(kept) - len(good)
            kept = good
            if len(kept) == self.rounds:
                break
        if not kept:
            raise NotJudged(why)
        sides = " / ".join(f"{statistics.median(k[side] for k in kept):,.4g}" for side in (1, 2))
        disk = f"disk probe {statistics.median(k[0] for k in kept):,.0f}/s"
        cpu = self.noise.cpu[-len(probes) :]
        probed = f"{disk}, CPU probe {min(cpu):,.0f}..{max(cpu):,.0f}/s"
        return Measured(tuple(a / b for _, a, b in kept), void, f"{note or sides}; {probed}")


def _ratio(ours: Callable[[], float], peer: Callable[[], float], turn: int) -> tuple[float, float]:
    if turn % 2:
        b = peer()
        return ours(), b
    a = ours()
    return a, peer()


def listening(port: int, seconds: float = 120) -> None:
    """Returns as soon as somebody listens there."""
    until = time.perf_counter() + seconds
    while True:
        try:
            socket.create_connection(("127.0.0.1", port)).close()
            return
        except OSError:
            if time.perf_counter() > until:
                raise
            time.sleep(0.01)


def free_port() -> int:
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        port: int = s.getsockname()[1]
    return port
