"""A real service in a process of its own, and what a sink holds, read without the code under test."""

import json
import os
import socket
import sqlite3
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[3]


@dataclass
class Running:
    """A real service that serves."""

    url: str
    token_file: Path
    process: "subprocess.Popen[str]"

    def ask(self, path: str, body: Any = None) -> Any:
        headers = {"Authorization": f"Bearer {self.token_file.read_text()}", "Content-Type": "application/json"}
        data = None if body is None else json.dumps(body).encode()
        with urllib.request.urlopen(urllib.request.Request(self.url + path, data, headers), timeout=10) as response:
            return json.loads(response.read())


def fettlebook(data: Path, *words: str) -> "subprocess.Popen[str]":
    """The service's command: this checkout's, where there is one around."""
    command = [sys.executable, "-m", "service_api.cli", "--data", str(data), "--json", *words]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True, cwd=ROOT)


def end(process: "subprocess.Popen[str]") -> None:
    process.terminate()
    process.communicate(timeout=10)


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextmanager
def serving(data: Path, token_file: Path, port: int) -> Iterator[Running]:
    """A service on this port, ready to answer."""
    process = fettlebook(data, "serve", "--port", str(port))
    url = f"http://127.0.0.1:{port}"
    try:
        for _ in range(200):
            assert process.poll() is None, "the service ended before it served"
            with suppress(OSError, urllib.error.URLError), urllib.request.urlopen(url + "/healthz", timeout=5):
                break
            time.sleep(0.05)
        yield Running(url, token_file, process)
    finally:
        end(process)


def held_in(to: str) -> list[dict[str, Any]]:
    """The changes that a sink holds, in the order in which it took them, read without the code under test."""
    if "://" not in to:
        return [json.loads(line) for line in Path(to).read_text("utf-8").splitlines()]
    query = 'SELECT generation, cursor, log_index, unit, changed, "condition" FROM fettlebook_change ORDER BY rowid'
    with closing(sqlite3.connect(to.removeprefix("sqlite:///"))) as connection:
        names = ("generation", "cursor", "index", "unit", "changed", "condition")
        rows = [dict(zip(names, row, strict=True)) for row in connection.execute(query)]
    return [row | {name: json.loads(row[name]) for name in ("changed", "condition")} for row in rows]


def count_in(to: str) -> int:
    """How many whole lines or rows there are, none where there is no file or table yet."""
    path = Path(to.removeprefix("sqlite:///"))
    if not path.exists():
        return 0
    if "://" not in to:
        return path.read_bytes().count(b"\n")
    with closing(sqlite3.connect(path)) as connection:
        try:
            return int(connection.execute("SELECT count(*) FROM fettlebook_change").fetchone()[0])
        except sqlite3.OperationalError as error:
            assert "no such table" in str(error)
            return 0


def under(generation: str, changes: list[dict[str, Any]]) -> list[dict[str, Any]]:
    return [{"generation": generation, **change} for change in changes]


def environment() -> dict[str, str]:
    """Of a process that finds the package where this one does."""
    package = str(Path(__file__).parent.parent)
    return os.environ | {"PYTHONPATH": os.pathsep.join(filter(None, [package, os.environ.get("PYTHONPATH")]))}
