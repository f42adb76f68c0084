"""Badge and PIN: sessions at an enrolled device, and what a signature is worth (CONTRACT A; GOALS B24)."""

import threading
from types import SimpleNamespace

import pytest

from service_api.app import Store
from service_api.directory import people, sessions, tokens
from service_api.http.auth import COOKIE
from service_api.http.sessions import WRONG
from tests import factories as make
from tests.api.reading_back import faults, slug
from tests.conftest import client_with

BADGES = {"sig.signatory": ("FP.SIG", "4711"), "lou.lead": ("FP.LOU", "20190"), "ada.bench": ("FP.ADA", "123456")}
HEADER = {"X-Fettlebook": "1"}


@pytest.fixture
def enrol(app, store, book, clock):
    """Enrols a device and gives its browser: `.sign_in(person, pin=None)`, `.send(entry)`."""

    def make_device(name="bench 1"):
        with store.writing.begin() as connection:
            device, code, _ = tokens.enrol(connection, book.number, name, clock())
        client = app.test_client()
        assert 303 == client.post(f"/bench/enrol/{code}").status_code

        def sign_in(person, pin=None):
            badge, right = BADGES[person]
            return client.post("/v1/sessions", json={"badge": badge, "pin": pin or right}, headers=HEADER)

        def send(entry):
            return client.post("/v1/entries", json=entry, headers=HEADER)

        return SimpleNamespace(id=device.id, client=client, sign_in=sign_in, send=send)

    return make_device


@pytest.fixture
def bench(enrol, store, book):
    with store.writing.begin() as connection:
        for person, (badge, pin) in BADGES.items():
            people.give_badge(connection, book.number, person, badge, pin)
    return enrol()


def signed_in(device):
    return [row["person"] for row in device.client.get("/v1/sessions").json["sessions"]]


def test_badge_and_pin_open_a_session_for_a_quarter_of_an_hour(bench, clock):
    """CONTRACT A, People: 201 {person, until}."""
    answer = bench.sign_in("sig.signatory")
    assert (201, {"person": "sig.signatory", "until": "2026-01-05T12:15:00.000Z"}) == (answer.status_code, answer.json)
    assert ["sig.signatory"] == signed_in(bench)
    clock.advance(minutes=15, seconds=-1)
    assert ["sig.signatory"] == signed_in(bench)
    clock.advance(seconds=1)
    assert [] == signed_in(bench)


def test_two_people_may_be_signed_in_and_leave_one_by_one(bench):
    bench.sign_in("ada.bench")
    bench.sign_in("lou.lead")
    assert ["ada.bench", "lou.lead"] == signed_in(bench)
    assert 200 == bench.client.delete("/v1/sessions/ada.bench", headers=HEADER).status_code
    assert ["lou.lead"] == signed_in(bench)
    bench.client.delete("/v1/sessions", headers=HEADER)
    assert [] == signed_in(bench)


def test_a_session_is_of_its_device_alone(bench, enrol):
    other = enrol("bench 2")
    bench.sign_in("lou.lead")
    assert [] == signed_in(other)


def test_a_session_wants_the_header_that_other_origins_cannot_send(bench):
    badge, pin = BADGES["lou.lead"]
    assert 403 == bench.client.post("/v1/sessions", json={"badge": badge, "pin": pin}).status_code
    assert [] == signed_in(bench)


def test_a_pin_is_worth_nothing_without_an_enrolled_device(bench, client_of):
    badge, pin = BADGES["lou.lead"]
    answer = client_of("bench").post("/v1/sessions", json={"badge": badge, "pin": pin})
    assert (403, "not-allowed") == (answer.status_code, slug(answer.json))


@pytest.mark.parametrize(
    ("body", "at", "code"),
    [
        ({"badge": "FP.LOU"}, "/pin", "missing-member"),
        ({"pin": "20190"}, "/badge", "missing-member"),
        ({"badge": "FP.LOU", "pin": 20190}, "/pin", "wrong-form"),
        ({"badge": "FP.LOU", "pin": "201"}, "/pin", "wrong-form"),
        ({"badge": "FP.LOU", "pin": "2019\N{ARABIC-INDIC DIGIT ZERO}"}, "/pin", "wrong-form"),
        ({"badge": "FP.LOU", "pin": "20190", "person": "lou.lead"}, "/person", "extra-member"),
        ({"badge": None, "pin": "20190"}, "/badge", "wrong-form"),
    ],
)
def test_a_malformed_signing_in_says_what_is_wrong_and_counts_for_nobody(bench, store, book, body, at, code):
    answer = bench.client.post("/v1/sessions", json=body, headers=HEADER)
    assert (422, [(at, code)]) == (answer.status_code, faults(answer.json))
    assert 201 == bench.sign_in("lou.lead").status_code


def test_wrong_pin_unknown_badge_and_shut_read_the_same_to_the_byte(bench):
    """GOALS B24, B25: nothing says which badges there are."""
    wrong = bench.sign_in("lou.lead", "99999")
    nobody = bench.client.post("/v1/sessions", json={"badge": "FP.NOBODY", "pin": "99999"}, headers=HEADER)
    for _ in range(9):
        bench.sign_in("lou.lead", "99999")
    shut = bench.sign_in("lou.lead")
    assert wrong.data == nobody.data == shut.data
    assert {403} == {wrong.status_code, nobody.status_code, shut.status_code}
    assert WRONG == wrong.json["detail"]


def test_ten_failures_shut_a_person_out_at_a_device_until_a_lead_lifts_it(bench, enrol, client_of):
    for _ in range(10):
        assert 403 == bench.sign_in("lou.lead", "99999").status_code
    assert 403 == bench.sign_in("lou.lead").status_code, "the right PIN comes too late"
    assert 201 == bench.sign_in("ada.bench").status_code, "nobody else is shut out"
    assert 201 == enrol("bench 2").sign_in("lou.lead").status_code, "nor is the same person at another device"
    path = f"/v1/devices/{bench.id}/lockouts/lou.lead"
    assert 403 == client_of("bench").delete(path).status_code
    assert 200 == client_of("lead").delete(path).status_code
    assert 404 == client_of("lead").delete(path).status_code
    assert 201 == bench.sign_in("lou.lead").status_code


def test_a_lead_who_is_signed_in_at_the_bench_lifts_a_lockout_there(bench, enrol):
    """CONTRACT A: `DELETE /v1/devices/{device}/lockouts/{person}` (lead); a device itself keeps nobody's lockouts."""
    for _ in range(11):
        bench.sign_in("ada.bench", "0000")
    path = f"/v1/devices/{bench.id}/lockouts/ada.bench"
    assert "not-allowed" == slug(bench.client.delete(path, headers=HEADER).json)
    bench.sign_in("sig.signatory")
    assert "not-allowed" == slug(bench.client.delete(path, headers=HEADER).json)
    assert 403 == bench.sign_in("ada.bench").status_code
    bench.sign_in("lou.lead")
    elsewhere = enrol("bench 2")
    assert "not-allowed" == slug(elsewhere.client.delete(path, headers=HEADER).json)
    assert 200 == bench.client.delete(path, headers=HEADER).status_code
    assert 201 == bench.sign_in("ada.bench").status_code


def test_nine_failures_and_a_right_pin_begin_anew(bench):
    for _ in range(2):
        for _ in range(9):
            bench.sign_in("lou.lead", "99999")
        assert 201 == bench.sign_in("lou.lead").status_code


def test_a_restart_and_a_jumping_clock_give_no_further_guess(bench, store, book, clock):
    for _ in range(10):
        bench.sign_in("lou.lead", "99999")
    clock.advance(days=3650)
    assert 403 == bench.sign_in("lou.lead").status_code
    clock.advance(days=-7300)
    store.close()
    again = Store(store.settings, clock)
    try:
        with again.writing.begin() as connection:
            assert sessions.count_guess(connection, book.number, bench.id, "FP.LOU").shut
    finally:
        again.close()


def guess_together(device, count):
    found = []
    threads = [
        threading.Thread(target=lambda: found.append(device.sign_in("lou.lead", "99999").status_code))
        for _ in range(count)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return found


def test_b24_of_64_guesses_at_once_ten_are_judged(bench, monkeypatch):
    """GOALS B24: ten failures disable, also under 64 parallel guesses."""
    judged = []

    def count(connection, book, device, badge, real=sessions.count_guess):
        guess = real(connection, book, device, badge)
        if not guess.shut:
            judged.append(guess)
        return guess

    monkeypatch.setattr(sessions, "count_guess", count)
    assert [403] * 64 == guess_together(bench, 64)
    assert 10 == len(judged)
    assert 403 == bench.sign_in("lou.lead").status_code


def test_b24_control_a_guess_that_is_counted_after_it_was_judged_is_one_of_many(bench, monkeypatch):
    """The race can be seen: where each reads the count before any is counted, all of them are judged."""
    judged, together = [], threading.Barrier(64)

    def count_later(connection, book, device, badge):
        count = "SELECT coalesce(max(failures), 0) FROM pin_guess WHERE person = 'lou.lead'"
        if connection.exec_driver_sql(count).scalar() < 10:
            judged.append(badge)
        return sessions.Guess("lou.lead", None, False)

    def judge_and_count(*_):
        together.wait(60)
        return False

    monkeypatch.setattr(sessions, "count_guess", count_later)
    monkeypatch.setattr("service_api.http.sessions.pins.fits", judge_and_count)
    guess_together(bench, 64)
    assert 64 == len(judged)


def test_another_pin_or_badge_signs_out_everywhere(bench, store, book):
    bench.sign_in("lou.lead")
    with store.writing.begin() as connection:
        people.give_badge(connection, book.number, "lou.lead", None, "777777")
    assert [] == signed_in(bench)
    assert 403 == bench.sign_in("lou.lead").status_code
    assert 201 == bench.sign_in("lou.lead", "777777").status_code


def test_who_works_here_no_longer_signs_in_nowhere(bench, store, book, clock):
    bench.sign_in("lou.lead")
    with store.writing.begin() as connection:
        people.retire(connection, book.number, "lou.lead", "2026-01-05T12:00:00Z")
    assert [] == signed_in(bench)
    assert 403 == bench.sign_in("lou.lead").status_code


def test_a_revoked_device_ends_its_sessions_and_its_cookie(bench, client_of):
    bench.sign_in("lou.lead")
    assert 200 == client_of("lead").delete(f"/v1/devices/{bench.id}").status_code
    assert 401 == bench.client.get("/v1/sessions").status_code
    assert 404 == client_of("lead").delete(f"/v1/devices/{bench.id}").status_code


def test_badges_and_pins_are_answered_nowhere(bench, client, store):
    """Only the badge's drawing shows it, to whoever keeps the directory."""
    assert b"FP.LOU" not in client.get("/v1/people").data
    drawn = client.get("/v1/people/lou.lead/badge.svg")
    assert (200, "image/svg+xml") == (drawn.status_code, drawn.content_type.split(";")[0])
    assert b"FP.LOU" in drawn.data
    assert 404 == client.get("/v1/people/bob.bench/badge.svg").status_code
    for file in store.settings.data.rglob("*"):
        assert not file.is_file() or b"20190" not in file.read_bytes(), file


def test_people_get_badge_and_pin_when_they_are_added(bench, client):
    body = {"id": "eve.new", "name": "Eve New", "role": "bench", "badge": "FP.EVE", "pin": "8080"}
    first, same = client.post("/v1/people", json=body), client.post("/v1/people", json=body)
    assert (201, 200) == (first.status_code, same.status_code)
    assert {"id": "eve.new", "name": "Eve New", "role": "bench"} == first.json
    for other in ({"pin": "8081"}, {"badge": "FP.EVA"}):
        answer = client.post("/v1/people", json=body | other)
        assert (409, "id-reused") == (answer.status_code, slug(answer.json))
    taken = client.post("/v1/people", json=body | {"id": "eva.new"})
    assert (409, "id-reused") == (taken.status_code, slug(taken.json))
    BADGES["eve.new"] = ("FP.EVE", "8080")
    try:
        assert 201 == bench.sign_in("eve.new").status_code
    finally:
        del BADGES["eve.new"]


# Signatures


@pytest.fixture
def to_release(nothing_asked):
    """A release of U-1, against which nothing stands."""
    return make.released(by="sig.signatory", occurred_at="2026-01-05T12:00:00+01:00")


def standing(ask):
    return ask("/v1/units/U-1/condition")["standing"]


def test_a_release_signed_in_the_persons_own_session_makes_the_unit_ready(bench, to_release, ask):
    bench.sign_in("sig.signatory")
    assert {"by": "session"} == bench.send(to_release).json["signed"]
    assert "ready" == standing(ask)


def test_a_release_without_a_session_is_kept_and_never_makes_a_unit_ready(bench, to_release, ask):
    bench.sign_in("lou.lead")  # somebody else's session proves nothing
    answer = bench.send(to_release)
    assert (201, {"by": "none"}) == (answer.status_code, answer.json["signed"])
    codes = {d["code"] for d in answer.json["discrepancies"]}
    assert {"signature-unproved"} == codes
    assert "ready" != standing(ask)
    bench.sign_in("sig.signatory")
    bench.send(make.released("REL-2", by="sig.signatory", occurred_at="2026-01-05T12:30:00+01:00"))
    assert "ready" == standing(ask), "the same type under the session ends it"


def test_a_session_that_has_ended_signs_nothing(bench, to_release, clock):
    bench.sign_in("sig.signatory")
    clock.advance(minutes=15)
    assert {"by": "none"} == bench.send(to_release).json["signed"]


def test_a_session_at_another_device_signs_nothing_here(bench, enrol, to_release):
    enrol("bench 2").sign_in("sig.signatory")
    assert {"by": "none"} == bench.send(to_release).json["signed"]


def test_a_token_bound_to_the_person_is_no_session(client_of, to_release):
    answer = client_of("signatory", person="sig.signatory").post("/v1/entries", json=to_release)
    assert {"by": "none"} == answer.json["signed"]


def test_a_second_is_another_person_with_another_session(bench, standing_unit, ask):
    """JOB 1.24: checker and doer are not one person with two log-ins."""
    twice = make.reading("0.20", more={"second": "ada.bench"})
    answer = bench.send(twice)
    assert (422, "second-is-first") == (answer.status_code, slug(answer.json))
    bench.sign_in("ada.bench")
    alone = bench.send(make.reading("0.20", more={"second": "lou.lead"}))
    assert {"second": "none"} == alone.json["signed"], "the doer's own session is not the second's"
    bench.sign_in("lou.lead")
    both = bench.send(make.reading("0.21", more={"second": "lou.lead"}))
    assert {"second": "session"} == both.json["signed"]
    release = make.released(by="ada.bench", more={"second": "lou.lead"})
    assert {"by": "session", "second": "session"} == bench.send(release).json["signed"]


def test_an_admins_token_vouches(client, standing_unit):
    answer = client.post("/v1/entries", json=make.released(by="sig.signatory", more={"second": "lou.lead"}))
    assert {"by": "vouched", "second": "vouched"} == answer.json["signed"]


def test_a_device_lends_the_role_of_who_is_signed_in_there(bench, standing_unit, tell):
    """A bench's token sends what a bench hand may; a lead's own session adds what a lead may."""
    tell(make.hold_placed())
    lifted = make.hold_lifted(by="lou.lead")
    answer = bench.send(lifted)
    assert (403, "not-allowed") == (answer.status_code, slug(answer.json))
    bench.sign_in("ada.bench")
    assert 403 == bench.send(lifted).status_code
    bench.sign_in("lou.lead")
    answer = bench.send(lifted)
    assert (201, {"by": "session"}) == (answer.status_code, answer.json["signed"])
    bench.client.delete("/v1/sessions", headers=HEADER)
    assert (200, True) == ((again := bench.send(lifted)).status_code, again.json["again"])


def test_a_bench_sends_any_directory_by(bench, standing_unit):
    """CONTRACT A, Signatures: only `signed` speaks."""
    assert 201 == bench.send(make.scanned(by="bob.bench")).status_code


def test_the_cookie_is_no_bearer(bench, app):
    """A cookie's text in the header is a token like any other, and still of its device."""
    text = bench.client.get_cookie(COOKIE).value
    assert 200 == client_with(app, text).get("/v1/units").status_code
