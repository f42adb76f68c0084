"""What the tests stand on: a real service, a scripted one, the two sinks, and the command."""

import json
import shutil
import signal
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from erp_running import Running, end, fettlebook, free_port, serving
from erp_scripted import TOKEN, Scripted, scripted

from fettlebook_erp.cli import main


@pytest.fixture(scope="session")
def filled(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """The folder of a demo book that nobody serves, and the file of a token to it."""
    folder = tmp_path_factory.mktemp("erp")
    process = fettlebook(folder / "data", "demo", "--port", "0")
    assert process.stdout is not None
    line = process.stdout.readline()
    assert line, "the demo did not serve"
    end(process)
    (folder / "token").write_text(json.loads(line)["tokens"]["admin"])
    return folder / "data", folder / "token"


@pytest.fixture(scope="session")
def service(filled: tuple[Path, Path]) -> Iterator[Running]:
    """A real service whose book stands still."""
    with serving(*filled, free_port()) as running:
        yield running


@pytest.fixture
def book_of_its_own(filled: tuple[Path, Path], tmp_path: Path) -> tuple[Path, Path]:
    """A copy of the book, for a test that writes or stops the service."""
    data, token_file = filled
    shutil.copytree(data, tmp_path / "data", ignore=shutil.ignore_patterns("*.sock", "*.lock"))
    return tmp_path / "data", token_file


@pytest.fixture
def fake() -> Iterator[Scripted]:
    with scripted() as held:
        yield held


@pytest.fixture(params=["changes.jsonl", "erp.db"])
def to(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """A sink of each kind, as `--to` names it."""
    path = tmp_path / request.param
    return f"sqlite:///{path}" if path.suffix == ".db" else str(path)


@pytest.fixture
def command(monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[..., Result]]:
    """Runs the command in this process; the token comes from the environment."""
    monkeypatch.setenv("FETTLEBOOK_TOKEN", TOKEN)
    before = signal.getsignal(signal.SIGTERM)
    yield lambda *words: CliRunner().invoke(main, [str(w) for w in words], prog_name="fettlebook-erp")
    signal.signal(signal.SIGTERM, before)


@pytest.fixture
def pull_lines(command: Callable[..., Result], fake: Scripted, tmp_path: Path) -> Callable[..., Result]:
    """Pulls the scripted service into a file, where the kind of sink makes no difference."""
    words = ("pull", "--url", fake.url, "--to", tmp_path / "changes.jsonl", "--limit", 2, "--patience", 5)
    return lambda *more: command(*words, *more)


@pytest.fixture
def pull(command: Callable[..., Result], fake: Scripted, to: str) -> Callable[..., Result]:
    """Pulls the scripted service into the sink, in small pages."""
    return lambda *words: command("pull", "--url", fake.url, "--to", to, "--limit", 2, "--patience", 5, *words)
