"""Goal 20 and the demo: how soon a command answers its first request, and what it imports on the way."""

import shutil
import sys
import time
from pathlib import Path

from tests.bench.figures import PEERS, Measured, figure
from tests.bench.running import FETTLEBOOK, ROOT, Bench, Process, ask, environment, first_answer, free_port, unit


def _until_first_answer(
    command: list[str], cwd: Path, env: dict[str, str], errors: Path, path: str, token: str
) -> float:
    """Seconds from the command to its first answer."""
    port = free_port()
    command = [word.format(port=port) for word in command]
    began = time.perf_counter()
    process = Process(command, cwd, env, errors)
    try:
        first_answer(f"http://127.0.0.1:{port}", path, token)
        return time.perf_counter() - began
    finally:
        process.stop()


def _copy(bench: Bench) -> Path:
    """The filled store again: one process holds a store, and the service under load holds its own."""
    folder = bench.fresh("copy") / "data"
    shutil.copytree(bench.service.data, folder, ignore=shutil.ignore_patterns("*.sock", "*.lock"))
    return folder


@figure("cold start to first GET / bare", goal=20, at_most=1.35, aim=1.20)
def cold_start(bench: Bench) -> Measured:
    """On a filled store that is up to date."""
    service = bench.service
    serve = [*FETTLEBOOK, "--data", str(_copy(bench)), "serve", "--port", "{port}"]
    bare = bench.bare_command("{port}")
    errors, path = bench.folder / "cold-stderr", f"/v1/units/{unit(42)}/condition"
    return bench.ratios(
        lambda: _until_first_answer(serve, ROOT, environment(), errors, path, service.bench),
        lambda: _until_first_answer(bare, PEERS, bench.bare_environment, errors, "/get/FB-0000042", ""),
    )


@figure("seconds from `demo` to its first answer", at_most=10)
def demo(bench: Bench) -> Measured:
    """On an empty folder, so that the depot is filled as well."""

    def once() -> float:
        data = bench.fresh("demo")
        began = time.perf_counter()
        command = [*FETTLEBOOK, "--data", str(data), "--json", "demo", "--port", "0"]
        process = Process(command, ROOT, environment(), data / "stderr")
        try:
            ready = process.first_line()
            ask(ready["url"], "/v1/units/SEL-004/card", ready["tokens"]["admin"])
            return time.perf_counter() - began
        finally:
            process.stop()

    return bench.seconds(once)


@figure("numerical libraries that `serve` imports on a filled book", at_most=0)
def numbers(bench: Bench) -> Measured:
    return _imports(bench, ("numpy", "scipy"))


@figure("alembic modules that `serve` imports on an up-to-date store", at_most=0)
def alembic(bench: Bench) -> Measured:
    return _imports(bench, ("alembic",))


def _imports(bench: Bench, packages: tuple[str, ...]) -> Measured:
    """How many of these packages a serving process has asked for when it has answered the unit's main questions.

    Empty packages stand in for them, so that asking shows where they are not installed.
    """
    service, folder = bench.service, bench.fresh("stand-ins")
    for name in packages:
        (folder / name).mkdir()
        (folder / name / "__init__.py").write_text("")
    command = [sys.executable, "-X", "importtime", *FETTLEBOOK[1:], "--data", str(_copy(bench)), "--json"]
    env = environment(PYTHONPATH=f"{folder}:{ROOT}")
    process = Process([*command, "serve", "--port", "0"], ROOT, env, folder / "stderr")
    try:
        address = process.first_line()["url"]
        for path in ("card", "condition", "wear/SEL-BL", "slots", "history"):
            ask(address, f"/v1/units/{unit(42)}/{path}", service.bench)
    finally:
        process.stop()
    imported = {line.rpartition("|")[2].strip() for line in process.errors.read_text().splitlines()}
    if "flask" not in imported:
        raise RuntimeError("the process did not say what it imports")
    found = sorted(imported & set(packages))
    return Measured((float(len(found)),), note=", ".join(found) or "none")
