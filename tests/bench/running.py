"""What the figures run on: our service and the bare app behind the same server, a load, and rounds with probes."""

import contextlib
import http.client
import importlib.util
import json
import os
import re
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cached_property
from pathlib import Path
from types import ModuleType, TracebackType
from typing import Any
from urllib.parse import urlsplit

from tests.bench.figures import PEERS, Measured, NotJudged

ROOT = Path(__file__).parents[2]
THREADS = 32  # of the server, for both
UNITS = 1000
LONGEST = 4  # times the rounds asked for, with those that are void
SECONDS = 1
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
        for entry in (*entries, None):
            if entry is not None:
                chunk.append(entry)
            if chunk and (entry is None or len(chunk) == 1000):
                answer = json.loads(ask(self.address, "/v1/entries", self.admin, json.dumps(chunk).encode()))
                refused = next((o for o in answer["outcomes"] if o["status"] != 201), None)
                if refused:
                    raise RuntimeError(f"refused: {json.dumps(refused)}")
                chunk = []


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


def an_entry(ids: Ids, type_: str, subject: str, data: dict[str, Any], at: datetime) -> dict[str, Any]:
    entry = {"id": ids(), "type": type_, "v": 1, "subject": subject, "by": "b.one", "data": data}
    return entry | {"occurred_at": at.isoformat(timespec="seconds"), "site": "bay"}


def q(value: str, uom: str) -> dict[str, str]:
    return {"value": value, "uom": uom}


def beginnings(ids: Ids) -> Iterator[dict[str, Any]]:
    """A sheet, a gauge with a calibration, and a thousand registered units that hold a nut."""
    at = datetime.now(UTC) - timedelta(days=1)
    sheet = json.loads((ROOT / "seed/sheets/SEL.json").read_text("utf-8"))
    yield an_entry(ids, "sheet.issued", "class:SEL", {"rev": 1, "effective_on": "2022-03-01", "sheet": sheet}, at)
    yield an_entry(ids, "unit.registered", "unit:G-1", {"class": "GDIAL", "origin": "used", "family": "gauge"}, at)
    for number in range(UNITS):
        yield from registered(ids, unit(number), at)


def registered(ids: Ids, name: str, at: datetime) -> Iterator[dict[str, Any]]:
    meters = [{"meter": "hours", "uom": "h", "rolls_at": "10000", "start": "100.0"}]
    known = {"class": "SEL", "serial": f"n{name}", "origin": "used", "family": "machine", "meters": meters}
    yield an_entry(ids, "unit.registered", f"unit:{name}", known, at)
    nut = {"slot": "feed-nut", "pieces": [{"part_no": "N-1", "lot": "L-1", "qty": 1}], "from": "stock"}
    yield an_entry(ids, "part.fitted", f"unit:{name}", nut, at)


def reading(ids: Ids, name: str, at: datetime, hours: str = "150.0") -> dict[str, Any]:
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
  text = text:gsub("@AT@", os.date("!%%Y-%%m-%%dT%%H:%%M:%%SZ")):gsub('"@SEQ@"', salt * 1000000 + count)
  return wrk.format(nil, nil, nil, text)
end
"""
GET = 'wrk.headers["Authorization"] = "Bearer %s"\n'


class Bench:
    """One run: the servers are started when a figure first asks for them, and stopped when the run ends."""

    def __init__(self, rounds: int) -> None:
        self.rounds, self.ids, self.loads = rounds, Ids(), 0
        self.made: set[str] = set()  # what figures share in our book
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
    def noise(self) -> Any:
        """The peers' own probes; they write beside the stores."""
        os.environ["PEERS_TMP"] = str(self.folder)
        spec = importlib.util.spec_from_file_location("peer_common", PEERS / "common.py")
        assert spec is not None and spec.loader is not None
        module: ModuleType = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(module)
        return module.Noise()

    # The two sides

    @cached_property
    def service(self) -> Service:
        """Our service on a book with a thousand units."""
        data = self.fresh("ours")
        self.command(data, "book", "new", "bench.example/book")
        self.command(data, "person", "add", "b.one", "--name", "B One", "--role", "bench")
        admin, key = (json.loads(self.command(data, "token", "new", "--role", r))["token"] for r in ("admin", "bench"))
        process, address = self.serve(data)
        service = Service(process, address, admin, key, data)
        service.send(beginnings(self.ids))
        service.send(reading(self.ids, unit(n), datetime.now(UTC)) for n in range(UNITS))
        return service

    def command(self, data: Path, *words: str) -> str:
        command = [*FETTLEBOOK, "--data", str(data), "--json", *words]
        return subprocess.run(command, cwd=ROOT, env=environment(), check=True, capture_output=True, text=True).stdout

    def serve(self, data: Path) -> tuple[Process, str]:
        command = [*FETTLEBOOK, "--data", str(data), "--json", "serve", "--port", "0"]
        process = Process(command, ROOT, environment(), data / "stderr")
        self.stack.callback(process.stop)
        return process, process.first_line()["url"]

    def bare_command(self, port: int | str) -> list[str]:
        return [sys.executable, "-m", "waitress", f"--threads={THREADS}", f"--listen=127.0.0.1:{port}", "apps:app"]

    @cached_property
    def bare_environment(self) -> dict[str, str]:
        """A store of the bare app with its rows in it."""
        env = environment(PEERS_DB=str(self.fresh("bare") / "bare.db"), PEERS_TMP=str(self.folder))
        subprocess.run([sys.executable, "-c", "import apps; apps.prepare()"], cwd=PEERS, env=env, check=True)
        return env

    @cached_property
    def bare(self) -> str:
        """The address of the bare app."""
        port = free_port()
        process = Process(self.bare_command(port), PEERS, self.bare_environment, self.folder / "bare-stderr")
        self.stack.callback(process.stop)
        address = f"http://127.0.0.1:{port}"
        first_answer(address, "/get/FB-0000042")
        return address

    # Loads

    def wrk(self, address: str, path: str, clients: int, script: str) -> float:
        """Requests a second. Raises RuntimeError when one of them fails."""
        program = shutil.which("wrk")
        if program is None:
            raise NotJudged("wrk is not installed")
        self.loads += 1
        lua = self.folder / "load.lua"
        lua.write_text(script)
        threads = ["-t1", f"-c{clients}", f"-d{SECONDS}s", "-s", str(lua)]
        command = [program, *threads, address + path, "--", str(self.loads)]
        said = subprocess.run(command, capture_output=True, text=True, check=True).stdout
        found = re.search(r"Requests/sec:\s+([\d.]+)", said)
        if found is None or "Non-2xx" in said or "Socket errors" in said:
            raise RuntimeError(f"{path}: {said}")
        return float(found[1])

    def post(self, address: str, path: str, clients: int) -> float:
        entry = reading(self.ids, "@UNIT@", datetime.now(UTC)) | {"id": "@ID@", "occurred_at": "@AT@"}
        entry["device"] = {"id": "tablet-1", "seq": "@SEQ@"}
        body = json.dumps(entry, separators=(",", ":"))
        script = POST % {"body": body, "token": self.service.bench, "units": UNITS}
        return self.wrk(address, path, clients, script)

    def get(self, address: str, path: str, clients: int) -> float:
        return self.wrk(address, path, clients, GET % self.service.bench)

    # Rounds

    def ratios(self, ours: Callable[[], float], peer: Callable[[], float], note: str = "") -> Measured:
        """ours / peer of each round, who goes first taking turns, after a warm-up round.

        A round whose disk probe is under half the median of the figure is void, and another takes its place.
        """
        ours(), peer()
        return self._rounds(lambda turn: _ratio(ours, peer, turn), note)

    def seconds(self, taken: Callable[[], float], note: str = "") -> Measured:
        return self._rounds(lambda _: (taken(), 1.0), note)

    def _rounds(self, one: Callable[[int], tuple[float, float]], note: str) -> Measured:
        kept: list[tuple[float, float, float]] = []  # disk probe, ours, peer
        probes: list[float] = []
        void = 0
        for turn in range(self.rounds * LONGEST):
            self.noise.probe()
            probes.append(self.noise.disk[-1])
            kept.append((probes[-1], *one(turn)))
            good = [k for k in kept if k[0] >= statistics.median(probes) / 2]
            void += len(kept) - len(good)
            kept = good
            if len(kept) == self.rounds:
                break
        if not kept:
            raise NotJudged("the disk stalled in every round")
        sides = " / ".join(f"{statistics.median(k[side] for k in kept):,.4g}" for side in (1, 2))
        disk = f"disk probe {statistics.median(k[0] for k in kept):,.0f}/s"
        return Measured(tuple(a / b for _, a, b in kept), void, f"{note or sides}; {disk}")


def _ratio(ours: Callable[[], float], peer: Callable[[], float], turn: int) -> tuple[float, float]:
    if turn % 2:
        b = peer()
        return ours(), b
    a = ours()
    return a, peer()


def free_port() -> int:
    import socket

    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        port: int = s.getsockname()[1]
    return port
