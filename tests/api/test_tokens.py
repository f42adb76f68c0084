"""Tokens: revoked at the very next request, their last use told cheaply, found nowhere (GOALS B23); and that a
guess takes the same work for anybody and nobody (GOALS B25)."""

import logging
import threading
import time

import pytest
from argon2 import PasswordHasher
from sqlalchemy import event

from service_api.directory import people, pins, sessions, tokens
from tests import factories as make
from tests.conftest import client_with, token_of


def listed(store, book):
    with store.reading.begin() as connection:
        return {token.id: token for token in tokens.tokens(connection, book.number)}


def ident(text):
    return text.split(".")[1]


# Last use


def test_the_last_use_is_told_to_the_hour(app, store, book, clock):
    text = token_of(store, book, "bench")
    assert listed(store, book)[ident(text)].last_used_at is None
    client = client_with(app, text)
    client.get("/v1/units")
    store.uses.settle()
    assert "2026-01-05T12:00:00.000Z" == listed(store, book)[ident(text)].last_used_at
    clock.advance(minutes=59)
    client.get("/v1/units")
    store.uses.settle()
    assert "2026-01-05T12:00:00.000Z" == listed(store, book)[ident(text)].last_used_at
    clock.advance(minutes=2)
    client.get("/v1/units")
    store.uses.settle()
    assert "2026-01-05T13:01:00.000Z" == listed(store, book)[ident(text)].last_used_at


def test_a_thousand_requests_of_an_hour_write_once(app, store, book, monkeypatch):
    """Not a write per request."""
    noted = []
    monkeypatch.setattr("service_api.directory.uses.note_use", lambda *given: noted.append(given))
    client = client_with(app, token_of(store, book, "bench"))
    for _ in range(1000):
        client.get("/v1/people")
    store.uses.settle()
    assert 1 == len(noted)


def test_a_use_that_cannot_be_written_costs_nobody_anything(app, store, book, monkeypatch, caplog):
    def full(*_):
        raise OSError("no space left on device")

    monkeypatch.setattr("service_api.directory.uses.note_use", full)
    text = token_of(store, book, "bench")
    with caplog.at_level(logging.WARNING):
        assert 200 == client_with(app, text).get("/v1/units").status_code
        store.uses.settle()
    assert "was not noted" in caplog.text
    assert text.rpartition(".")[2] not in caplog.text


def test_who_is_refused_has_not_used_it(app, store, book, clock):
    text = token_of(store, book, "bench")
    wrong = text[:-1] + ("A" if text[-1] != "A" else "B")
    client_with(app, wrong).get("/v1/units")
    store.uses.settle()
    assert listed(store, book)[ident(text)].last_used_at is None


# B23


def test_b23_of_64_requests_across_a_revocation_none_succeeds_late(app, store, book, clock):
    """GOALS B23: a request that began after the revocation was committed is refused, however many run beside it."""
    text = token_of(store, book, "bench")
    answers, revoked_at = [], []
    together = threading.Barrier(65)

    def ask():
        client = client_with(app, text)
        together.wait(30)
        for _ in range(5):
            began = time.monotonic()
            answers.append((began, client.get("/v1/people").status_code))

    threads = [threading.Thread(target=ask) for _ in range(64)]
    for thread in threads:
        thread.start()
    together.wait(30)
    with store.writing.begin() as connection:
        tokens.revoke(connection, book.number, ident(text), clock())
    revoked_at.append(time.monotonic())
    answers.append((time.monotonic(), client_with(app, text).get("/v1/people").status_code))
    for thread in threads:
        thread.join()
    late = [status for began, status in answers if began > revoked_at[0]]
    assert late
    assert {401} == set(late)


def test_b23_control_a_token_that_is_remembered_succeeds_late(app, store, book, clock, monkeypatch):
    """The fault can be seen: with rows kept in memory a revoked token goes on."""
    text = token_of(store, book, "bench")
    kept = {}

    def remembered(ask, text, now, real=tokens.find):
        return kept.setdefault(text, real(ask, text, now))

    monkeypatch.setattr("service_api.http.auth.tokens.find", remembered)
    client = client_with(app, text)
    assert 200 == client.get("/v1/people").status_code
    with store.writing.begin() as connection:
        tokens.revoke(connection, book.number, ident(text), clock())
    assert 200 == client.get("/v1/people").status_code


def test_b23_the_secret_is_in_no_log_no_problem_and_no_answer(app, store, book, caplog):
    text = token_of(store, book, "lead")
    secret, client = text.rpartition(".")[2], client_with(app, text)
    with caplog.at_level(logging.DEBUG):
        seen = [
            client.get("/v1/units/U-1").text,
            client.get("/v1/nothing").text,
            client.post("/v1/entries", data="{", content_type="application/json").text,
            client.post("/v1/entries", json=make.registered(by="lou.lead")).text,
            client.post("/v1/devices", json={"name": ""}).text,
        ]
    assert not [answer for answer in seen if secret in answer]
    assert secret not in caplog.text


def test_an_entry_carries_the_tokens_prefix_alone(app, store, book):
    text = token_of(store, book, "lead")
    entry = client_with(app, text).post("/v1/entries", json=make.registered(by="lou.lead")).json
    assert ident(text) == entry["recorded_by"]


# Members that nobody may send (GOALS B22)


@pytest.mark.parametrize("member", ["index", "seq", "recorded_at", "recorded_by", "signed", "leaf", "role", "book"])
def test_b22_what_the_book_adds_is_a_member_too_many(client, member):
    answer = client.post("/v1/entries", json=make.registered() | {member: 1})
    assert (422, f"/{member}") == (answer.status_code, answer.json["errors"][0]["pointer"])


@pytest.mark.parametrize(
    ("method", "path", "body"),
    [
        ("POST", "/v1/people", {"id": "x", "name": "X", "role": "bench"}),
        ("POST", "/v1/people/ada.bench/roles", {"role": "bench", "from_on": "2026-02-01"}),
        ("POST", "/v1/parties", {"id": "x", "name": "X"}),
        ("POST", "/v1/devices", {"name": "bench 9"}),
        ("POST", "/v1/tags", {"count": 1}),
    ],
)
def test_b22_no_call_takes_a_privileged_member(client, method, path, body):
    for member in ("book", "admin", "retired_at", "made_at", "token", "vouches", "revoked_at"):
        assert 422 == client.open(path, method=method, json=body | {member: True}).status_code, member


def test_b22_no_role_gives_more_than_it_has(client_of):
    """A lead who made a manager of themselves would have every right there is."""
    for role, gives in (("lead", "manager"), ("lead", "admin"), ("lead", "signatory"), ("manager", "admin")):
        keeper = client_of(role)
        body = {"id": f"new.{gives}", "name": "New", "role": gives}
        assert 403 == keeper.post("/v1/people", json=body).status_code
        answer = keeper.post("/v1/people/ada.bench/roles", json={"role": gives, "from_on": "2026-01-01"})
        assert 403 == answer.status_code
    assert 201 == client_of("admin").post("/v1/people", json=body).status_code


# B25


@pytest.fixture
def ways(store, book):
    """An unknown badge, a wrong PIN, and somebody who is shut out and has it right: (device, badge, PIN)."""
    with store.writing.begin() as connection:
        people.give_badge(connection, book.number, "ada.bench", "FP.ADA", "4711")
        for _ in range(sessions.GUESSES + 1):
            sessions.count_guess(connection, book.number, "d-2", "FP.ADA")
    return [("d-1", "FP.NONE", "9999"), ("d-1", "FP.ADA", "9999"), ("d-2", "FP.ADA", "4711")]


def work_of(store, book, device, badge, pin, monkeypatch):
    """The statements that a guess runs, and how many PINs are hashed for it."""
    done = []

    def statement(connection, cursor, text, parameters, context, many):
        done.append(text)

    verify = PasswordHasher.verify
    monkeypatch.setattr(PasswordHasher, "verify", lambda self, *given: done.append("verify") or verify(self, *given))
    event.listen(store.writing, "before_cursor_execute", statement)
    try:
        with store.writing.begin() as connection:
            guess = sessions.count_guess(connection, book.number, device, badge)
        pins.fits(guess.pin, pin)
    finally:
        event.remove(store.writing, "before_cursor_execute", statement)
        monkeypatch.setattr(PasswordHasher, "verify", verify)
    return done


def test_b25_unknown_badge_wrong_pin_and_shut_are_the_same_work(store, book, ways, monkeypatch):
    """Statement by statement, and one hash each. The times themselves are taken by `python -m tests.bench`."""
    first, *others = [work_of(store, book, *way, monkeypatch) for way in ways]
    assert 1 == first.count("verify")
    assert [first, first] == others


def test_b25_control_an_early_answer_for_an_unknown_badge_is_seen(store, book, ways, monkeypatch):
    real = pins.fits
    monkeypatch.setattr(pins, "fits", lambda stored, pin: stored is not None and real(stored, pin))
    unknown, wrong, _ = [work_of(store, book, *way, monkeypatch) for way in ways]
    assert unknown != wrong
