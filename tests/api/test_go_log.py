"""Where Go is at hand its own packages for logs read what the service gives: golang.org/x/mod/sumdb/{note,tlog}."""

import os
import shutil
import subprocess
from pathlib import Path

import pytest

from service_api.log import tiles
from tests import factories as make

PROGRAM = Path(__file__).parent / "tlog_check.go"
DEBIAN = Path("/usr/share/gocode")  # golang-golang-x-mod-dev
ENTRIES = 300


@pytest.fixture(scope="module")
def program(tmp_path_factory):
    """The checking program. Without Go and its packages: a failure where CI says so, elsewhere a loud skip."""
    if shutil.which("go") is None or not (DEBIAN / "src/golang.org/x/mod/sumdb/tlog").is_dir():
        words = "NOT JUDGED: no Go on this machine: apt-get install golang-go golang-golang-x-mod-dev"
        if os.environ.get("CI") == "true":
            pytest.fail(words)
        pytest.skip(words)
    folder = tmp_path_factory.mktemp("go")
    more = {
        "GO111MODULE": "off",
        "GOPATH": str(DEBIAN),
        "GOCACHE": str(folder / "cache"),
        "GOFLAGS": "",
        "CGO_ENABLED": "0",
    }
    command = ["go", "build", "-o", str(folder / "check"), str(PROGRAM)]
    done = subprocess.run(command, capture_output=True, text=True, env=os.environ | more)
    assert done.returncode == 0, done.stderr
    return folder / "check"


@pytest.fixture
def served(client, store, book, tell, tmp_path):
    """Checkpoint and tiles as files, and the public key."""
    tell(make.sheet_issued(), make.registered(), *(make.scanned() for _ in range(ENTRIES - 2)))
    (tmp_path / "checkpoint").write_bytes(client.get("/v1/log/checkpoint").data)
    for name in tiles.names(ENTRIES):
        answer = client.get(f"/v1/log/tile/{name.path}")
        assert 200 == answer.status_code, name
        file = tmp_path / "tile" / name.path
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(answer.data)
    return tmp_path, str(store.keys(book).published()[-1].verifier)


def run(program, folder, key):
    return subprocess.run([str(program), str(folder), key], capture_output=True, text=True)


def test_go_opens_the_checkpoint_and_proves_every_entry(program, served):
    done = run(program, *served)
    assert (0, f"test.example/depot {ENTRIES}\n") == (done.returncode, done.stdout)


@pytest.mark.parametrize("what", ["checkpoint", "tile/0/000", "tile/1/000.p/1", "tile/entries/000"])
def test_control_go_sees_one_changed_byte(program, served, what):
    file = served[0] / what
    content = bytearray(file.read_bytes())
    content[len(content) // 2] ^= 1
    file.write_bytes(content)
    assert 1 == run(program, *served).returncode
