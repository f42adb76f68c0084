"""What README.md tells a newcomer to type does what it says."""

import json
import os
import shutil
import subprocess
from pathlib import Path

import pytest

from tests.readme import commands
from tests.serving import demo_server, get


def test_the_tour_with_curl_runs_and_moves_the_condition(tmp_path: Path) -> None:
    """Every marked block runs; the reading posted in it is the condition's latest, the chart's last point, and on top
    of the history."""
    if shutil.which("curl") is None:
        if os.environ.get("CI") == "true":
            pytest.fail("curl is missing in CI")
        pytest.skip("NOT JUDGED: no curl on this machine")
    with demo_server(tmp_path / "data") as demo:
        token = demo["tokens"]["admin"]
        shell = f"set -euo pipefail\nU={demo['url']}\nAUTH='Authorization: Bearer {token}'\n"
        blocks = commands("tour")
        assert len(blocks) == 5
        for block in blocks:
            said = subprocess.run(
                ["bash", "-c", shell + block.replace("curl -s", "curl -sS --fail-with-body")],
                capture_output=True,
                text=True,
                cwd=tmp_path,
            )
            assert said.returncode == 0, said.stdout + said.stderr
        condition = get(f"{demo['url']}/v1/units/SEL-004/condition", token)
        backlash = next(c for c in condition["characteristics"] if c["characteristic"] == "SEL-BL")
        wear = get(f"{demo['url']}/v1/units/SEL-004/wear/SEL-BL", token)
        history = get(f"{demo['url']}/v1/units/SEL-004/history?order=newest&limit=1", token)
    assert "0.13" == backlash["latest"]["value"], "the greatest of 0.12, 0.13, 0.11"
    assert ("0.13", "2041.5") == (wear["points"][-1]["value"], wear["points"][-1]["hours"])
    assert "orrin.tamsley" == history["entries"][0]["by"]
    assert b"\x89PNG" == (tmp_path / "label.png").read_bytes()[:4]


def test_the_tour_names_the_unit_that_wears_its_tag(tmp_path: Path) -> None:
    with demo_server(tmp_path / "data") as demo:
        assert demo["tags"]["SEL-004"] in commands("tour")[0]
        tag = get(f"{demo['url']}/v1/tags/{demo['tags']['SEL-004']}", demo["tokens"]["admin"])
    assert ("SEL-004", "attached", "valid") == (tag["unit"], tag["status"], tag["check"])


def test_a_second_demo_serves_the_book_as_it_was_left(tmp_path: Path) -> None:
    with demo_server(tmp_path / "data") as first:
        assert first["fresh"]
    with demo_server(tmp_path / "data") as second:
        assert not second["fresh"]
        assert first["entries"] == second["entries"]
        with pytest.raises(Exception, match="401"):
            get(f"{second['url']}/v1/units", "fb1.t-0.x")
        assert 200 <= len(json.dumps(get(f"{second['url']}/v1/units", first["tokens"]["admin"]))), "old keys still open"


def test_readme_states_one_command_each_for_demo_and_tests() -> None:
    (demo,) = commands("demo command")
    (test,) = commands("test command")
    assert "fettlebook demo" in demo and "pytest" in test
