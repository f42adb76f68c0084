"""The clock of a running service is set (GOALS B6): writing stops, reading goes on, until somebody confirms it."""

import json
import os
import shutil
import subprocess
import urllib.error
import urllib.request

import pytest

from tests import factories as f
from tests.faults import test_holder as holder
from tests.faults.test_holder import last_line, own, run, serving


@pytest.fixture
def set_by(tmp_path, monkeypatch):
    """`set_by("+3650d")` sets the clock of every service and command started here, while it runs."""
    found = shutil.which("faketime")
    if found is None:
        words = "no faketime on this machine: install it to test a machine clock that jumps"
        if os.environ.get("CI") == "true":
            pytest.fail(words)
        pytest.skip(words)
    shown = subprocess.run([found, "-f", "+0", "env"], capture_output=True, text=True, check=True)
    (library,) = [line.partition("=")[2] for line in shown.stdout.splitlines() if line.startswith("LD_PRELOAD=")]
    file = tmp_path / "offset"
    faked = {
        "LD_PRELOAD": library,
        "FAKETIME_TIMESTAMP_FILE": str(file),
        "FAKETIME_NO_CACHE": "1",
        "FAKETIME_DONT_FAKE_MONOTONIC": "1",  # the clock that counts on is not set
    }
    monkeypatch.setattr(holder, "ENV", holder.ENV | faked)

    def set_by(offset):
        file.write_text(f"{offset}\n")

    set_by("+0")
    return set_by


def call(url, token, raw=None):
    """(status, answer, Retry-After)"""
    headers = {"Authorization": f"Bearer {token}", "Content-Type": "application/json"}
    asked = urllib.request.Request(url, None if raw is None else json.dumps(raw).encode(), headers)
    try:
        with urllib.request.urlopen(asked, timeout=20) as answer:
            return answer.status, json.loads(answer.read()), answer.headers["Retry-After"]
    except urllib.error.HTTPError as error:
        with error:
            return error.code, json.loads(error.read()), error.headers["Retry-After"]


@pytest.mark.parametrize("step", ["+3650d", "-6m"])
def test_a_machine_clock_that_jumps_under_a_running_service_stops_writing(tmp_path, set_by, step):
    folder = own(tmp_path / "data")
    assert 0 == run(folder, "person", "add", "ada.bench", "--name", "Ada", "--role", "manager")[0]
    token = last_line(run(folder, "token", "new", "--role", "admin")[1])
    early = {"occurred_at": "2015-01-05T08:00:00+01:00", "by": "ada.bench"}
    with serving(folder) as process:
        entries = f"{process.url}/v1/entries"
        status, answer, _ = call(entries, token, f.sheet_issued(**early))
        assert 201 == status, answer
        set_by(step)
        raw = f.registered(**early)
        status, answer, retry = call(entries, token, raw)
        assert (503, "clock-doubt") == (status, answer["type"].rpartition("/")[2])
        assert 0 < int(retry)
        assert 200 == call(f"{process.url}/v1/units", token)[0]
        assert "writing" in call(f"{process.url}/readyz", token)[1]
        assert 0 == run(folder, "clock", "confirm")[0]
        assert 201 == call(entries, token, raw)[0]
