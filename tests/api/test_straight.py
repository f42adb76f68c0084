"""The plain append is answered without the framework, and word for word as the framework would answer it."""

import json
import sqlite3

import pytest
from sqlalchemy.exc import DBAPIError

from service_api.domain.refusals import Busy
from service_api.http import straight
from service_api.recording.recorder import Recorder
from service_api.wire.canonical import parse
from tests import factories as make

pytestmark = pytest.mark.usefixtures("standing_unit")
FRAMED = {"Prefer": "wait=5"}  # no preference that the service knows, but enough not to be plain


def send(client, body, **headers):
    text = body if isinstance(body, bytes) else json.dumps(body).encode()
    return client.post("/v1/entries", data=text, content_type="application/json", headers=headers)


def test_a_plain_append_and_the_same_again_go_straight(app, client, monkeypatch):
    def forbidden(*_):
        raise AssertionError("the framework was asked")

    monkeypatch.setattr(app, "full_dispatch_request", forbidden)
    entry = make.reading("0.12")
    first, again = send(client, entry), send(client, entry)
    assert (201, 200) == (first.status_code, again.status_code)
    assert first.json | {"again": True} == again.json
    assert f"/v1/entries/{entry['id']}" == first.headers["Location"]


def test_both_ways_answer_alike(client):
    one, other = make.reading("0.12"), make.reading("0.12")
    for status in (201, 200):
        plain, framed = send(client, one), send(client, other, **FRAMED)
        told = {name: text.replace(other["id"], one["id"]) for name, text in framed.headers.items()}
        assert (status, dict(plain.headers)) == (plain.status_code, told)
        assert (plain.status, plain.json.keys()) == (framed.status, framed.json.keys())


def test_several_entries_are_not_read_as_one_first(client, monkeypatch):
    read = []
    monkeypatch.setattr(straight, "parse", lambda body: read.append(body) or parse(body))
    answer = send(client, [make.reading("0.12"), make.reading("0.13")])
    assert ([201, 201], []) == ([o["status"] for o in answer.json["outcomes"]], read)


@pytest.mark.parametrize(
    "body",
    [
        b"{",
        b"[]",
        b'{"id":"a","id":"b"}',
        b'{"v":1.5}',
        make.scanned() | {"type": "tag.licked"},
        make.scanned() | {"v": True},
        make.scanned() | {"data": {"taste": "brass"}},
        make.scanned() | {"subject": "unit:NO-1"},
        make.scanned() | {"by": "no.body"},
    ],
    ids=str,
)
def test_a_refusal_is_worded_by_the_framework(client, body):
    plain, framed = send(client, body), send(client, body, **FRAMED)
    assert plain.status_code >= 400
    assert (plain.status, dict(plain.headers), plain.json) == (framed.status, dict(framed.headers), framed.json)


@pytest.mark.parametrize("token", ["fb1.t-nobody.secret", "nonsense", "fb1..", " "])
def test_a_stranger_is_refused_either_way(stranger, token):
    stranger.environ_base["HTTP_AUTHORIZATION"] = f"Bearer {token}"
    assert [401, 401] == [send(stranger, make.scanned(), **more).status_code for more in ({}, FRAMED)]


def test_a_token_that_only_reads_is_refused_either_way(auditor_client, client_of):
    for client in (auditor_client, client_of("customer")):
        assert [403, 403] == [send(client, make.reading("0.12"), **more).status_code for more in ({}, FRAMED)]


@pytest.mark.parametrize(("trouble", "status"), [(Busy("held"), 503), (ZeroDivisionError("ours"), 500)])
def test_trouble_in_recording_is_met_once_and_told_as_a_problem(client, monkeypatch, trouble, status):
    calls = []

    def record(*_):
        calls.append(1)
        raise trouble

    monkeypatch.setattr(Recorder, "record", record)
    answer = send(client, make.scanned())
    assert (status, "application/problem+json", [1]) == (answer.status_code, answer.content_type, calls)


def test_a_store_that_cannot_be_asked_for_the_token_is_told_as_a_problem(client, store, monkeypatch):
    def held(*_):
        raise DBAPIError.instance("SELECT", None, locked, sqlite3.Error)

    locked = sqlite3.OperationalError("database is locked")
    locked.sqlite_errorcode = sqlite3.SQLITE_BUSY
    monkeypatch.setattr(store, "lasting", held)
    monkeypatch.setattr(store, "recalled", None)  # nor is one known from before
    answer = send(client, make.scanned())
    assert (503, "application/problem+json") == (answer.status_code, answer.content_type)


def test_a_long_body_or_one_of_another_kind_is_not_plain():
    plain = {"CONTENT_TYPE": "application/json", "CONTENT_LENGTH": "600", "HTTP_AUTHORIZATION": "Bearer x"}
    assert straight._is_plain(plain)
    for other in (
        {"CONTENT_LENGTH": str(straight.WITH_ROOM + 1)},
        {"CONTENT_LENGTH": ""},
        {"CONTENT_TYPE": "application/x-ndjson"},
        {"HTTP_AUTHORIZATION": "Basic x"},
        {"QUERY_STRING": "x=1"},
        {"HTTP_PREFER": "handling=strict"},
    ):
        assert not straight._is_plain(plain | other)
