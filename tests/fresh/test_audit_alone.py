"""The bundle of SEL-004 is checked where nothing is but `fettlebook-audit`: in an environment of its own."""

import json
import os
import subprocess
import sys
import venv
from pathlib import Path
from types import SimpleNamespace

import pytest

from tests.readme import ROOT


@pytest.fixture(scope="module")
def alone(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The command `fettlebook-audit`, installed in an empty environment. The tests' own backend builds its wheel."""
    folder, wheels = tmp_path_factory.mktemp("alone"), tmp_path_factory.mktemp("wheels")
    venv.create(folder)
    python, quietly = str(folder / "bin" / "python"), ("--quiet", "--disable-pip-version-check")
    pip = [sys.executable, "-m", "pip"]
    build = ["wheel", *quietly, "--no-deps", "--no-build-isolation", "--wheel-dir", str(wheels)]
    subprocess.run([*pip, *build, str(ROOT / "clients" / "audit")], check=True)
    install = ["--python", python, "install", *quietly, "--no-compile", *map(str, wheels.iterdir())]
    done = subprocess.run([*pip, *install], capture_output=True, text=True)
    if done.returncode:
        if os.environ.get("CI") == "true":
            pytest.fail(f"fettlebook-audit cannot be installed in CI: {done.stderr}")
        pytest.skip(f"NOT JUDGED: no package index at hand: {done.stderr.strip().splitlines()[-1]}")
    found = subprocess.run([python, "-c", "import service_api"], capture_output=True, cwd="/")
    assert found.returncode, "the service is not there"
    return folder / "bin" / "fettlebook-audit"


def run(command: Path, *words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([str(command), *words], capture_output=True, text=True, cwd="/", env={"PATH": os.defpath})


def test_q25_the_bundle_of_sel_004_proves_itself_and_one_changed_byte_does_not(
    alone: Path, demo: SimpleNamespace, tmp_path: Path
) -> None:
    file = tmp_path / "SEL-004.bundle.json"
    answer = demo.client.get("/v1/units/SEL-004/bundle")
    file.write_bytes(answer.data)
    key = answer.json["key"]
    done = run(alone, "bundle", str(file), "--key", key, "--json")
    assert (0, "") == (done.returncode, done.stderr)
    said = json.loads(done.stdout)
    assert ("SEL-004", [], len(answer.json["entries"])) == (said["unit"], said["faults"], said["entries"])
    (at, *_) = (e["index"] for e in answer.json["entries"] if '"by":"orrin.tamsley"' in e["hashed"])
    file.write_bytes(answer.data.replace(b"orrin.tamsley", b"orrin.tamslex", 1))
    done = run(alone, "bundle", str(file), "--key", key, "--json")
    found = [(f["how"], f["first"], f["last"]) for f in json.loads(done.stdout)["faults"]]
    assert (1, [("edited", at, at)]) == (done.returncode, found)
    assert "Traceback" not in done.stderr
