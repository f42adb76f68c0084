"""Commands that change a store while another process serves it, and when it was killed."""

import json
import os
import re
import signal
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager

import pytest

from service_api.ops import commands
from tests.readme import ROOT

FETTLEBOOK = [sys.executable, "-m", "service_api.cli"]
ENV = {k: v for k, v in os.environ.items() if not k.startswith("FETTLEBOOK_")} | {"PYTHONPATH": str(ROOT)}


def run(folder, *words, cwd=None):
    """The command in a process of its own: (exit status, stdout, stderr)."""
    command = [*FETTLEBOOK, "--data", str(folder), *words]
    done = subprocess.run(command, env=ENV, cwd=cwd, capture_output=True, text=True, timeout=60)
    return done.returncode, done.stdout, done.stderr


@contextmanager
def serving(folder):
    """`serve` on this folder in a process of its own."""
    command = [*FETTLEBOOK, "--data", str(folder), "--json", "serve", "--port", "0"]
    process = subprocess.Popen(command, env=ENV, stdout=subprocess.PIPE, text=True)
    try:
        process.url = json.loads(process.stdout.readline())["url"]
        yield process
    finally:
        process.kill()
        process.wait(10)
        process.stdout.close()


def own(folder):
    assert 0 == run(folder, "book", "new", "shop.example/main", "--zone", "+01:00")[0]
    return folder


@pytest.fixture(scope="module")
def served(tmp_path_factory):
    folder = own(tmp_path_factory.mktemp("served") / "data")
    with serving(folder) as process:
        yield folder, process


def last_line(text):
    return text.strip().splitlines()[-1]


def test_a_second_serve_and_a_demo_are_refused_with_the_holder_on_the_last_line(served):
    folder, process = served
    for words in (("serve", "--port", "0"), ("demo", "--port", "0"), ("migrate",)):
        status, said, errors = run(folder, *words)
        assert (3, "") == (status, said)
        assert re.search(rf"process {process.pid} \(serve\) holds it", last_line(errors))


def test_every_command_that_changes_the_store_works_while_it_is_served(served):
    folder, _ = served
    status, said, errors = run(folder, "person", "add", "o.tamsley", "--name", "Orrin Tamsley", "--role", "bench")
    assert (0, "Orrin Tamsley is added.\n", "") == (status, said, errors)
    assert 0 == run(folder, "person", "role", "o.tamsley", "lead", "--from", "2025-01-01")[0]
    made = json.loads(run(folder, "--json", "token", "new", "--role", "admin", "--name", "t")[1])
    assert 0 == run(folder, "token", "revoke", made["id"])[0]
    device = json.loads(run(folder, "--json", "device", "enrol", "bench 1")[1])["device"]
    assert 0 == run(folder, "device", "revoke", device)[0]
    assert 3 == len(run(folder, "tags", "mint", "3")[1].split())
    assert 0 == run(folder, "book", "new", "shop.example/other", "--zone", "UTC")[0]
    assert 0 == run(folder, "--book", "shop.example/other", "person", "add", "x", "--name", "X", "--role", "lead")[0]
    status, said, errors = run(folder, "--json", "redraw")
    assert (0, "") == (status, errors)
    assert {"shop.example/main", "shop.example/other"} <= {b["book"] for b in json.loads(said)["books"]}
    assert 0 == run(folder, "--book", "shop.example/main", "person", "retire", "o.tamsley")[0]
    people = json.loads(run(folder, "--json", "--book", "shop.example/main", "person", "list")[1])["people"]
    assert [("o.tamsley", "lead", True)] == [(p["id"], p["role"], p["retired"]) for p in people]


def test_a_token_made_while_it_is_served_opens_it(tmp_path):
    import urllib.request

    folder = own(tmp_path / "data")
    with serving(folder) as process:
        token = last_line(run(folder, "token", "new", "--role", "admin")[1])
        ask = urllib.request.Request(f"{process.url}/v1/units", headers={"Authorization": f"Bearer {token}"})
        with urllib.request.urlopen(ask, timeout=10) as answer:
            assert 200 == answer.status


def test_what_goes_wrong_there_is_said_here_with_its_exit_status(served):
    folder, _ = served
    assert (1, "", "fettlebook: no live token is called t-0\n") == run(
        folder, "--book", "shop.example/main", "token", "revoke", "t-0"
    )
    status, _, errors = run(folder, "--book", "no.such/book", "tags", "mint", "1")
    assert 2 == status and "no.such/book" in last_line(errors)
    status, _, errors = run(folder, "book", "new", "shop.example/main")
    assert 2 == status and "already" in last_line(errors)


def test_the_socket_is_its_owners_only(served):
    folder, _ = served
    assert 0o600 == (folder / commands.NAME).stat().st_mode & 0o777


def test_a_killed_service_is_in_nobodys_way(tmp_path):
    folder = own(tmp_path / "data")
    with serving(folder) as process:
        process.send_signal(signal.SIGKILL)
        process.wait(10)
        assert (folder / commands.NAME).exists(), "its socket stays behind"
        assert 0 == run(folder, "tags", "mint", "1")[0]
    with serving(folder):
        assert 0 == run(folder, "tags", "mint", "1")[0]


def test_many_commands_at_once_are_all_done(tmp_path):
    folder = own(tmp_path / "data")

    def mint(_):
        return run(folder, "tags", "mint", "2")

    for serve in (False, True):
        with ThreadPoolExecutor(4) as pool:
            if serve:
                with serving(folder):
                    found = list(pool.map(mint, range(8)))
            else:
                found = list(pool.map(mint, range(8)))
        assert {0} == {status for status, _, _ in found}, found
        tags = " ".join(said for _, said, _ in found).split()
        assert 16 == len(set(tags))


def test_a_really_long_path_is_no_hindrance(tmp_path):
    folder = tmp_path / ("d" * 100) / ("e" * 100)
    own(folder)
    with serving(folder):
        assert 0 == run(folder, "tags", "mint", "1")[0]
