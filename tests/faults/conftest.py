"""What faults are done with: strace."""

import os

import pytest

from tests.faults import traced


@pytest.fixture(scope="session")
def strace():
    """Where strace is. Without it, or where it may not trace: a failure where CI says so, elsewhere a loud skip."""
    found = traced.strace()
    if found is None:
        words = "no strace that may trace a process of its own: install it, and allow ptrace, to test system calls"
        if os.environ.get("CI") == "true":
            pytest.fail(words)
        pytest.skip(words)
    return found
