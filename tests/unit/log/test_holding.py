"""One process holds an embedded store, and the kernel lets it go however that process ends."""

import json
import os
import signal
import subprocess
import sys

import pytest

from service_api.log.holding import Hold, Holder, StoreHeld, holder

HOLDING = "import sys, time; from service_api.log.holding import Hold; h = Hold(sys.argv[1], 'serve', 0); h.say('/s');"
HOLDING += " print('held', flush=True); time.sleep(60)"


@pytest.fixture
def url(tmp_path):
    return f"sqlite:///{tmp_path}/fettlebook.db"


@pytest.fixture
def other(url):
    """Another process that holds the store and says that it takes commands."""
    process = subprocess.Popen([sys.executable, "-c", HOLDING, url], stdout=subprocess.PIPE, text=True)
    assert process.stdout.readline() == "held\n"
    yield process
    process.kill()
    process.wait(10)
    process.stdout.close()


def test_nobody_holds_a_store_that_nobody_opened(url, tmp_path):
    assert holder(url) is None
    assert [] == list(tmp_path.iterdir()), "asking leaves nothing behind"


def test_who_holds_it_is_named(url):
    hold = Hold(url, "token new", 0)
    assert Holder(os.getpid(), "token new") == holder(url)
    hold.say("/run/a.sock")
    assert Holder(os.getpid(), "token new", "/run/a.sock") == holder(url)
    hold.release()
    assert holder(url) is None


def test_a_second_process_is_refused_at_once_and_told_whom_to_ask(url, other):
    with pytest.raises(StoreHeld, match=rf"process {other.pid} \(serve\) holds it") as raised:
        Hold(url, "serve", 60)
    assert Holder(other.pid, "serve", "/s") == raised.value.holder == holder(url)


def test_a_killed_holder_holds_no_longer_whatever_stands_in_the_file(url, other, tmp_path):
    other.send_signal(signal.SIGKILL)
    other.wait(10)
    assert other.pid == json.loads((tmp_path / "fettlebook.db.lock").read_text())["pid"]
    assert holder(url) is None
    Hold(url, "serve", 0).release()


def test_a_command_waits_for_one_that_is_soon_done(url):
    brief = HOLDING.replace("h.say('/s');", "").replace("60", "0.3")
    with subprocess.Popen([sys.executable, "-c", brief, url], stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout.readline() == "held\n"
        with pytest.raises(StoreHeld):
            Hold(url, "token new", 0)
        Hold(url, "token new", 20).release()


def test_only_the_owner_may_read_who_holds_it(url, tmp_path):
    hold = Hold(url, "serve", 0)
    assert 0o600 == (tmp_path / "fettlebook.db.lock").stat().st_mode & 0o777
    hold.release()


def test_words_that_nobody_can_follow_do_not_hide_that_it_is_held(url, tmp_path):
    hold = Hold(url, "serve", 0)
    (tmp_path / "fettlebook.db.lock").write_text("{")
    with pytest.raises(StoreHeld, match="another process holds it"):
        holder(url)
    with pytest.raises(StoreHeld, match="another process holds it"):
        Hold(url, "serve", 0)
    hold.release()
