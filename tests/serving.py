"""A running demo service as a process of its own, for the tests that come from outside."""

import json
import subprocess
import sys
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any


@contextmanager
def demo_server(data: Path, *command: str, cwd: Path | None = None) -> Iterator[dict[str, Any]]:
    """What `demo --json` says, while it serves. `command` starts fettlebook; this checkout's without one."""
    start = command or (sys.executable, "-m", "service_api.cli")
    process = subprocess.Popen(
        [*start, "--data", str(data), "--json", "demo", "--port", "0"], stdout=subprocess.PIPE, text=True, cwd=cwd
    )
    try:
        assert process.stdout is not None
        line = process.stdout.readline()
        assert line, f"demo ended with {process.wait()} before it served"
        yield json.loads(line)
    finally:
        process.terminate()
        process.wait(10)
        assert process.stdout is not None
        process.stdout.close()


def get(url: str, token: str | None = None) -> Any:
    request = urllib.request.Request(url, headers={"Authorization": f"Bearer {token}"} if token else {})
    with urllib.request.urlopen(request, timeout=10) as response:
        return json.loads(response.read())
