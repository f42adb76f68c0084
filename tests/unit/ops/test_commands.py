"""Commands that change a store are done by the process that holds it: what goes over its socket."""

import json
import os
import socket
import threading
import time

import pytest
from click.testing import CliRunner

from service_api import cli
from service_api.ops import commands
from service_api.ops.calls import CHANGES, done_for
from service_api.ops.commands import Broken, Unreachable, ask, listening
from tests import factories as f


def test_reading_needs_nobodys_leave(store, book):
    """The store is held by this process, which takes no commands."""
    data = ["--data", str(store.settings.data)]
    found = CliRunner().invoke(cli.main, [*data, "--json", "person", "list"])
    assert 0 == found.exit_code and "ada.bench" in found.stdout


def test_a_holder_that_takes_no_commands_is_named(store, book, monkeypatch):
    from service_api.ops import calls

    monkeypatch.setattr(calls, "WAITS", 0.05)
    found = CliRunner().invoke(cli.main, ["--data", str(store.settings.data), "tags", "mint", "1"])
    assert 3 == found.exit_code
    assert f"process {os.getpid()} (serve) holds it" in found.stderr


# The line itself


def request(command="tags_mint", **given):
    return {"command": command, "book": None, "json": False, "given": given}


def said_by(where, asked):
    heard = []
    return ask(str(where), asked, heard.append), heard


@pytest.fixture
def where(store, book):
    with listening(store, done_for):
        yield store.settings.data / commands.NAME


def test_a_folder_with_a_path_too_long_for_a_socket_serves_commands(store, book, monkeypatch):
    monkeypatch.setattr(commands, "LONGEST_PATH", len(os.fsencode(store.settings.data)))
    with listening(store, done_for):
        answer, heard = said_by(store.settings.data / commands.NAME, request(count=1))
    assert 0 == answer["status"] and heard[0]["said"].startswith("FT.")


def test_nobody_listens_where_there_is_no_socket_or_a_dead_one(tmp_path):
    with pytest.raises(Unreachable):
        said_by(tmp_path / "none", request())
    dead = tmp_path / "dead"
    with socket.socket(socket.AF_UNIX) as left:
        left.bind(str(dead))
    with pytest.raises(Unreachable):
        said_by(dead, request())


def test_a_holder_that_goes_away_half_way_leaves_it_unknown(tmp_path):
    with socket.socket(socket.AF_UNIX) as dying:
        dying.bind(str(tmp_path / "s"))
        dying.listen()

        def hang_up():
            line, _ = dying.accept()
            line.recv(1000)
            line.sendall(b'{"said": "half')
            line.close()

        thread = threading.Thread(target=hang_up)
        thread.start()
        with pytest.raises(Broken):
            said_by(tmp_path / "s", request())
        thread.join(10)


@pytest.mark.parametrize("text", [b"", b"\n", b"no json\n", b"[]\n", b"{}\n", b'{"command": 7}\n', b'"x"\n', b"\xff\n"])
def test_words_that_mean_nothing_do_no_harm(where, text):
    with socket.socket(socket.AF_UNIX) as line:
        line.connect(str(where))
        line.sendall(text)
        line.shutdown(socket.SHUT_WR)
        line.settimeout(10)
        answer = line.makefile("rb").read()
    assert not answer or 0 != json.loads(answer)["status"]
    assert 0 == said_by(where, request(count=1))[0]["status"]


def test_a_caller_that_hangs_up_leaves_the_service_as_it_was(where, store, book):
    for _ in range(5):
        with socket.socket(socket.AF_UNIX) as line:
            line.connect(str(where))
            line.sendall(json.dumps(request(count=3)).encode() + b"\n")
    assert 0 == said_by(where, request(count=1))[0]["status"]
    until = time.monotonic() + 10
    while time.monotonic() < until:
        with store.reading.begin() as connection:
            minted = connection.exec_driver_sql("SELECT count(*) FROM minted_tag").scalar()
        if minted == 16:
            break
        time.sleep(0.01)
    assert 16 == minted, "what was asked for in full is done"


def test_a_command_that_this_version_does_not_know_is_refused(where):
    answer, _ = said_by(where, request("fly"))
    assert 3 == answer["status"] and "version" in answer["words"]


def test_a_fault_of_ours_is_exit_status_3_and_the_next_command_is_done(where, monkeypatch):
    def broken(call, store):
        raise ValueError("oh")

    monkeypatch.setitem(CHANGES, "broken", broken)
    answer, _ = said_by(where, request("broken"))
    assert 3 == answer["status"]
    assert 0 == said_by(where, request(count=1))[0]["status"]


def test_progress_is_told_on_the_way(where, tell):
    tell(f.sheet_issued(), f.registered())
    answer, heard = said_by(where, request("redraw", processes=1))
    assert 0 == answer["status"]
    assert {"label": "test.example/depot", "length": 2} == heard[0]
    assert 2 == sum(line.get("further", 0) for line in heard)


def test_after_it_stopped_nobody_listens_and_nothing_is_left(store, book):
    with listening(store, done_for):
        pass
    assert not (store.settings.data / commands.NAME).exists()
    assert "" == json.loads((store.settings.data / "fettlebook.db.lock").read_text())["socket"]
