"""The bench page's pure modules, bare in Node."""

import shutil
import subprocess
from pathlib import Path

from tests.browser.conftest import missing

HERE = Path(__file__).parents[2] / "clients" / "bench" / "tests"


def test_the_pure_modules_hold_in_node():
    """Words, ids, digits, scanner bursts and drawings are functions of data: no browser is needed to check them."""
    if shutil.which("node") is None:
        missing("node")
    files = sorted(map(str, HERE.glob("*.test.mjs")))
    done = subprocess.run(["node", "--test", *files], capture_output=True, text=True, timeout=120, check=False)
    assert files, "there are tests to run"
    assert 0 == done.returncode, done.stdout[-6000:] + done.stderr[-2000:]
