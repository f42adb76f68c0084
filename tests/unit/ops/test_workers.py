"""`serve --workers N` on a server store: several processes behind one address."""

import http.client
import json
import os
import re
import signal
import subprocess
import sys
import threading
import time
from dataclasses import replace
from functools import partial
from urllib.parse import urlsplit

import pytest
from sqlalchemy import text

from tests import factories as f
from tests.conftest import new_book, token_of
from tests.faults.harness import ROOT, ground

CLIENTS, EACH, ROUNDS = 8, 20, 12
BROKEN = "import sys; sys.modules['gunicorn.app.base'] = None; from service_api.cli import main; main()"


@pytest.fixture
def on(server_database, tmp_path):
    with ground(tmp_path, server_database, workers=2) as found:
        yield found


@pytest.fixture
def service(on):
    running = on.start()
    yield running
    running.kill()


def ask(on, service, method, path, body=None, **headers):
    """(status, text) on a connection of its own."""
    line = http.client.HTTPConnection(service.host, service.port, timeout=60)
    sent = {"Authorization": f"Bearer {on.token}", "Content-Type": "application/json"} | headers
    line.request(method, path, body, sent)
    answer = line.getresponse()
    found = answer.status, answer.read()
    line.close()
    return found


def appending(store):
    """The processes whose last word on some connection was the end of an append."""
    asked = "SELECT application_name FROM pg_stat_activity WHERE datname = current_database() AND query = 'COMMIT'"
    with store.reading.connect() as connection:
        names = set(connection.execute(text(asked)).scalars())
    return names - {f"fettlebook {os.getpid()}"}


def test_every_process_appends_and_an_id_is_known_to_all(on, service):
    sent = [f.scanned(unit=f"U-{1 + n % 4}") for n in range(CLIENTS * EACH)]
    told = [json.dumps(raw).encode() for raw in sent]
    heard = []

    def client(number):
        heard.extend(ask(on, service, "POST", "/v1/entries", body)[0] for body in told[number::CLIENTS])

    threads = [threading.Thread(target=client, args=(n,)) for n in range(CLIENTS)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(120)
    assert [201] * len(sent) == heard
    assert 2 == len(appending(on.store)), "one process did it all: this proves nothing of two"
    again = [ask(on, service, "POST", "/v1/entries", told[0])[0] for _ in range(10)]
    other = [ask(on, service, "POST", "/v1/entries", json.dumps(sent[0] | {"job": "J-9"}))[0] for _ in range(10)]
    assert ([200] * 10, [409] * 10) == (again, other)


def at_once(*calls):
    """What each call gave; all of them began together."""
    gate, found = threading.Barrier(len(calls)), {}

    def run_one(number, call):
        gate.wait(60)
        found[number] = call()

    threads = [threading.Thread(target=run_one, args=one) for one in enumerate(calls)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(120)
    return [found[number] for number in range(len(calls))]


def test_one_id_sent_at_once_to_two_processes_is_one_entry_and_the_other_content_is_refused(on, service):
    """Issue 3, bad input: duplicate and conflicting ids across processes. Who comes first is nobody's to say."""
    size = on.store.answers(on.book.number).size()
    for n in range(ROUNDS):
        raw = f.scanned(unit="U-1")
        told = [json.dumps(raw).encode(), json.dumps(raw | {"job": f"J-{n}"}).encode()] * 4
        heard = at_once(*(partial(ask, on, service, "POST", "/v1/entries", body) for body in told))
        by_content = [sorted(status for status, _ in heard[which::2]) for which in (0, 1)]
        assert [[200, 200, 200, 201], [409, 409, 409, 409]] == sorted(by_content)
        (first,) = {json.loads(said)["index"] for status, said in heard if status in (200, 201)}
        assert size + n == first, "no index was left out or given twice"
    assert size + ROUNDS == on.store.answers(on.book.number).size()
    assert 2 == len(appending(on.store)), "one process did it all: this proves nothing of two"


def test_one_id_in_two_books_is_an_entry_of_each(on, service):
    """Issue 3, bad input: across books. What one book knows of an id says nothing of another."""
    other = new_book(on.store, "faults.example/other")
    second = replace(on, book=other, token=token_of(on.store, other, "admin"))
    early = "2026-01-02T08:00:00+01:00"
    assert 201 == ask(second, service, "POST", "/v1/entries", json.dumps(f.registered("U-1", occurred_at=early)))[0]
    for n in range(ROUNDS):
        raw = f.scanned(unit="U-1")
        same, changed = json.dumps(raw).encode(), json.dumps(raw | {"job": f"J-{n}"}).encode()
        told = [(on, same), (second, changed)] * 3
        heard = at_once(*(partial(ask, who, service, "POST", "/v1/entries", body) for who, body in told))
        for which, body in ((0, same), (1, changed)):
            assert [200, 200, 201] == sorted(status for status, _ in heard[which::2])
            kept = json.loads(heard[which][1])
            assert json.loads(body) == {name: kept[name] for name in json.loads(body)}
    assert 1 + ROUNDS == on.store.answers(other.number).size()


def test_a_body_that_is_too_large_is_refused_as_by_one_process(on, service):
    status, words = ask(on, service, "POST", "/v1/entries", b" " * (6 * 1024 * 1024))
    assert (413, "too-large") == (status, json.loads(words)["type"].rpartition("/")[2])


def test_a_streamed_body_of_unknown_length_is_answered_line_by_line(on, service):
    lines = (json.dumps(f.scanned()).encode() + b"\n" for _ in range(3))
    kind = "application/x-ndjson"
    status, said = ask(on, service, "POST", "/v1/entries", lines, **{"Content-Type": kind, "Accept": kind})
    assert (200, [201, 201, 201]) == (status, [json.loads(line).get("status") for line in said.splitlines()[:-1]])
    assert 3 == json.loads(said.splitlines()[-1])["count"]


def test_who_is_being_answered_is_answered_before_a_service_stops(on, service):
    found = []
    path = f"/v1/feed?from={on.store.answers(on.book.number).size()}&wait=8"
    waiting = threading.Thread(target=lambda: found.append(ask(on, service, "GET", path)))
    waiting.start()
    time.sleep(2)  # by then it waits in the service, also on a busy machine
    service.process.send_signal(signal.SIGTERM)
    waiting.join(30)
    assert [200] == [status for status, _ in found]
    assert 0 == service.process.wait(30)


def run(*command, database=None, **env):
    kept = {k: v for k, v in os.environ.items() if not k.startswith("FETTLEBOOK_")}
    env |= {"PYTHONPATH": str(ROOT)} | ({"FETTLEBOOK_DATABASE": database} if database else {})
    return subprocess.run([sys.executable, *command], env=kept | env, capture_output=True, text=True, timeout=60)


def test_an_embedded_store_is_served_by_one_process(tmp_path):
    done = run("-m", "service_api.cli", "--data", str(tmp_path), "serve", "--port", "0", "--workers", "2")
    assert (3, True) == (done.returncode, "served by one process" in done.stderr), done.stderr
    assert [] == list(tmp_path.iterdir())


def test_without_gunicorn_the_extra_that_brings_it_is_named(on, tmp_path):
    done = run("-c", BROKEN, "serve", "--port", "0", "--workers", "2", database=on.settings.database)
    assert (3, True) == (done.returncode, "fettlebook[server]" in done.stderr), done.stderr


def test_a_wsgi_server_of_ones_own_serves_the_same(on, tmp_path):
    """As README says it."""
    (command,) = re.findall(r"gunicorn (--worker-class .*) '(service_api.wsgi:.*)'", (ROOT / "README.md").read_text())
    kept = {k: v for k, v in os.environ.items() if not k.startswith("FETTLEBOOK_")}
    env = kept | {
        "PYTHONPATH": str(ROOT),
        "FETTLEBOOK_DATABASE": on.settings.database,
        "FETTLEBOOK_DATA": str(tmp_path),
    }
    start = [sys.executable, "-m", "gunicorn", *command[0].split(), "--bind", "127.0.0.1:0", command[1]]
    with subprocess.Popen(start, env=env, stderr=subprocess.PIPE, text=True) as process:
        try:
            found = next(m for line in process.stderr if (m := re.search(r"Listening at: (\S+)", line)))
            where = urlsplit(found[1])
            line = http.client.HTTPConnection(where.hostname, where.port, timeout=60)
            line.request("GET", "/v1/units/U-1/condition", headers={"Authorization": f"Bearer {on.token}"})
            assert 200 == line.getresponse().status
            line.close()
        finally:
            process.send_signal(signal.SIGTERM)
            assert 0 == process.wait(60)
