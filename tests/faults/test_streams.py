"""Long streams of entries: told line by line, an honest last line, memory flat; and clients that go away."""

import http.client
import json
import socket
import time

import pytest

from tests import factories as f
from tests.faults.checks import Clients, faults
from tests.faults.harness import ground
from tests.faults.streaming import NDJSON, entries, stream

MANY = 6000
FLAT = 0.10  # of what it holds once it is at work


@pytest.fixture
def on(tmp_path):
    with ground(tmp_path) as found:
        yield found


@pytest.fixture
def service(on):
    running = on.start()
    yield running
    running.kill()


def test_a_long_stream_is_told_line_by_line_and_the_memory_stays_flat(on):
    running = on.start("small cache")
    try:
        found = stream(running, on.token, entries(MANY, 1), MANY)
    finally:
        running.kill()
    assert ({201: MANY}, []) == (found.statuses, found.wrong)
    assert {"count": MANY, "index": on.store.answers(on.book.number).size()} == found.last
    assert found.growth() < FLAT, found.memory[::20]


def test_a_service_that_keeps_everything_does_not_pass_as_flat(on):
    """The control of the test above."""
    running = on.start("keep everything")
    try:
        assert stream(running, on.token, entries(MANY, 1), MANY).growth() > FLAT
    finally:
        running.kill()


def test_a_stream_of_good_and_bad_lines_tells_each_and_keeps_the_good(on, service):
    def half():
        for n, raw in enumerate(entries(400, 2)):
            yield raw | ({"subject": "unit:NOWHERE", "type": "tag.scanned", "data": {}} if n % 2 else {})

    found = stream(service, on.token, half(), 400)
    assert ({201: 200, 422: 200}, []) == (found.statuses, found.wrong)
    assert 400 == found.last["count"]
    assert [] == faults(on.store, on.book, Clients())


# Clients that go away


def connected(on, service, length, media="application/json"):
    """A connection on which a body of so many bytes was promised."""
    raw = socket.create_connection((service.host, service.port), timeout=10)
    head = f"POST /v1/entries HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer {on.token}\r\nContent-Type: {media}\r\n"
    raw.sendall((head + f"Accept: {media}\r\nContent-Length: {length}\r\n\r\n").encode())
    return raw


def size(on):
    return on.store.answers(on.book.number).size()


@pytest.mark.parametrize("media", ("application/json", NDJSON))
def test_a_client_that_hangs_up_in_the_middle_of_its_body_leaves_nothing_and_blocks_nobody(on, service, media):
    before = size(on)
    whole = b"\n".join(json.dumps(raw).encode() for raw in entries(50, 3)) + b"\n"
    gone = [connected(on, service, len(whole), media) for _ in range(40)]  # more than there are threads
    for raw in gone:
        raw.sendall(whole[: len(whole) // 2])
        raw.close()
    answered(on, service)
    assert before + 1 == size(on)
    assert [] == faults(on.store, on.book, Clients())


def answered(on, service):
    """An honest client, meanwhile."""
    line = http.client.HTTPConnection(service.host, service.port, timeout=10)
    headers = {"Authorization": f"Bearer {on.token}", "Content-Type": "application/json"}
    line.request("POST", "/v1/entries", json.dumps(f.scanned(id=f.entry_id(77))), headers)
    assert 201 == line.getresponse().status
    line.close()


def test_a_client_that_hangs_up_while_it_is_answered_finds_everything_kept_when_it_asks_again(on, service):
    """The stream goes on to its end or stops between two commits: no commit is half a chunk, and none is lost."""
    raws = list(entries(3000, 4))
    whole = b"\n".join(json.dumps(raw).encode() for raw in raws) + b"\n"
    gone = connected(on, service, len(whole), NDJSON)
    gone.sendall(whole)
    heard = gone.recv(4096)
    assert heard.startswith(b"HTTP/1.1 200")
    gone.close()
    _at_rest(on)
    again = stream(service, on.token, iter(raws), len(raws))
    assert {200, 201} >= set(again.statuses)
    assert again.statuses[200] >= 500, "what it was told of was kept, a whole chunk at least"
    assert 3000 == again.last["count"]
    assert [] == faults(on.store, on.book, Clients())


def _at_rest(on):
    """Wait until nothing is added any more."""
    before = -1
    while before != (before := size(on)):
        time.sleep(0.3)
