"""The wheel stands alone: built, installed in an empty environment, run from the root folder."""

import os
import subprocess
import sys
import venv
import zipfile
from pathlib import Path

import pytest

from tests.readme import ROOT
from tests.serving import demo_server, get


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("wheel")
    build = [sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", str(out), str(ROOT)]
    done = subprocess.run(build, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr
    (made,) = out.glob("*.whl")
    return made


def test_migrations_bench_page_and_demo_data_travel_inside_the_wheel(wheel: Path) -> None:
    names = zipfile.ZipFile(wheel).namelist()
    for needed in (
        "service_api/_travelling/migrations/HEAD",
        "service_api/_travelling/migrations/env.py",
        "service_api/_travelling/clients/bench/index.html",
        "service_api/_travelling/seed/sheets/SEL.json",
        "service_api/http/templates/docs.html",
    ):
        assert needed in names
    assert not [n for n in names if n.startswith(("tests/", "seed/", "migrations/"))], "nothing of ours beside it"


def test_it_runs_from_the_root_folder_of_an_empty_environment(wheel: Path, tmp_path: Path) -> None:
    venv.create(tmp_path / "empty", with_pip=True)
    python = tmp_path / "empty" / "bin" / "python"
    done = subprocess.run(
        [str(python), "-m", "pip", "install", "--quiet", "--disable-pip-version-check", str(wheel)],
        capture_output=True,
        text=True,
    )
    if done.returncode:
        if os.environ.get("CI") == "true":
            pytest.fail(f"the wheel cannot be installed in CI: {done.stderr}")
        pytest.skip(f"NOT JUDGED: no package index at hand: {done.stderr.strip().splitlines()[-1]}")
    command = str(tmp_path / "empty" / "bin" / "fettlebook")
    with demo_server(tmp_path / "data", command, cwd=Path("/")) as demo:
        card = get(f"{demo['url']}/v1/units/SEL-004/card", demo["tokens"]["admin"])
    assert "SEL-004" == card["identity"]["unit"]
    assert card["last_as_left"], "the demo's readings are there"
