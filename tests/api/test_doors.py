"""Who comes in: tokens, cookies, roles (DESIGN section 12; CONTRACT A, Rights)."""

from urllib.parse import urlsplit

import pytest

from service_api.directory import tokens
from tests import factories as make
from tests.api.reading_back import PROBLEM, rows, slug
from tests.conftest import client_with, new_book, token_of

READS = [
    "/v1/entries",
    "/v1/units",
    "/v1/units/U-1",
    "/v1/units/U-1/card",
    "/v1/units/U-1/condition",
    "/v1/units/U-1/slots",
    "/v1/units/U-1/history",
    "/v1/units/U-1/wear/TST-BL",
    "/v1/tags/FT.J3K70S6ET",
    "/v1/tags/FT.J3K70S6ET/label.svg",
    "/v1/classes/TST/sheet",
    "/v1/jobs/J-1",
    "/v1/people",
    "/v1/parties",
    f"/v1/entries/{make.entry_id(1)}",
    f"/v1/attachments/{'0' * 64}",
]
WRITES = [
    ("POST", "/v1/entries"),
    ("POST", "/v1/people"),
    ("POST", "/v1/people/ada.bench/roles"),
    ("POST", "/v1/parties"),
    ("POST", "/v1/tags"),
    ("PUT", f"/v1/attachments/{'0' * 64}"),
]


def shut(answer, status, expected):
    assert (status, PROBLEM, expected) == (answer.status_code, answer.content_type, slug(answer.json))
    return True


@pytest.mark.parametrize("path", READS)
def test_nothing_is_read_without_a_token(stranger, path):
    answer = stranger.get(path)
    assert shut(answer, 401, "no-token")
    assert "Bearer" == answer.headers["WWW-Authenticate"]


@pytest.mark.parametrize(("method", "path"), WRITES)
def test_nothing_is_written_without_a_token(stranger, store, method, path):
    before = rows(store)
    assert shut(stranger.open(path, method=method, json=make.registered()), 401, "no-token")
    assert before == rows(store)


def test_a_stranger_is_not_told_which_addresses_exist(stranger):
    assert {401} == {stranger.get(p).status_code for p in ("/v1/nothing", "/v1/units/U-1", "/v1/units/U-9")}


@pytest.mark.parametrize(
    "header",
    [
        "",
        "Bearer",
        "Bearer ",
        "Bearer x",
        "Basic Zm9vOmJhcg==",
        "Bearer fb1.t-000000000000.secret",
        "Bearer fb1..",
        "Bearer fb.t-1.x",
        "Bearer fb99999999999.t-1.x",
        "Bearer fb٣.t-1.x",
        "Bearer fb1.t-1.x.y",
        "Bearer \x7f",
        "Bearer fb" + "9" * 20 + ".t.x",
        "Bearer fb999999999.t.x",
        "fb1.t-1.x",
        "Bearer " + "x" * 5000,
    ],
)
def test_garbage_is_no_token(stranger, header):
    header = header.encode().decode("latin-1")  # what a header's bytes look like to WSGI
    assert shut(stranger.get("/v1/units", headers={"Authorization": header}), 401, "no-token")


def test_a_right_id_with_a_wrong_secret_is_no_token(app, store, book):
    text = token_of(store, book, "admin")
    wrong = text[:-1] + ("A" if text[-1] != "A" else "B")
    assert 200 == client_with(app, text).get("/v1/units").status_code
    assert shut(client_with(app, wrong).get("/v1/units"), 401, "no-token")


def test_the_secret_is_stored_nowhere(store, book):
    secret = token_of(store, book, "admin").rpartition(".")[2]
    for file in store.settings.data.rglob("*"):
        assert not file.is_file() or secret.encode() not in file.read_bytes(), file


def test_the_scheme_may_be_written_in_any_case(app, store, book):
    """RFC 9110, 11.1: the scheme is case-insensitive."""
    text = token_of(store, book, "admin")
    client = client_with(app, None)
    assert 200 == client.get("/v1/units", headers={"Authorization": f"bearer {text}"}).status_code


def test_a_token_ends_at_its_end(app, store, book, clock):
    client = client_with(app, token_of(store, book, "bench", days=1))
    clock.advance(days=1, seconds=-1)
    assert 200 == client.get("/v1/units").status_code
    clock.advance(seconds=1)
    assert shut(client.get("/v1/units"), 401, "no-token")


def test_a_revoked_token_is_worth_nothing_at_the_next_request(app, store, book, clock):
    text = token_of(store, book, "bench")
    client = client_with(app, text)
    assert 200 == client.get("/v1/units").status_code
    with store.writing.begin() as connection:
        assert tokens.revoke(connection, book.number, text.split(".")[1], clock())
    assert shut(client.get("/v1/units"), 401, "no-token")
    assert shut(client.post("/v1/entries", json=make.scanned()), 401, "no-token")


# Books


def test_another_books_token_sees_nothing_of_this_book(app, store, client, tell):
    other = client_with(app, token_of(store, new_book(store, "other.example/depot"), "admin"))
    tell(make.sheet_issued(), make.registered(), make.tag_attached("FT.J3K70S6ET"), make.job_opened("J-1"))
    for path in READS[1:11] + READS[11:12]:
        mine, theirs = client.get(path), other.get(path)
        assert 200 == mine.status_code, path
        if path in ("/v1/units", "/v1/tags/FT.J3K70S6ET"):
            assert b"U-1" not in theirs.data
        else:
            assert 404 == theirs.status_code, path
            assert b'near": ["U-1' not in theirs.data
    assert [] == other.get("/v1/entries").json["entries"]
    assert 404 == other.get(f"/v1/entries/{make.entry_id(1)}").status_code


def test_the_same_id_in_two_books_is_two_entries(app, store, client, book):
    """An id is the key of idempotency inside its own book; each book counts from 0."""
    second = new_book(store, "other.example/depot")
    other = client_with(app, token_of(store, second, "admin"))
    entry = make.registered()
    first = client.post("/v1/entries", json=entry)
    again = other.post("/v1/entries", json=entry | {"by": "lou.lead"})
    assert [201, 201] == [first.status_code, again.status_code]
    assert [0, 0] == [first.json["index"], again.json["index"]]


# Bench devices


@pytest.fixture
def link(store, book, clock):
    """The one-time link of a new device, and the device."""
    with store.writing.begin() as connection:
        device, code, _ = tokens.enrol(connection, book.number, "bench 1", clock())
    return f"/bench/enrol/{code}", device


def test_an_enrolment_link_works_once(app, link):
    first, second = app.test_client(), app.test_client()
    assert 200 == first.get(link[0]).status_code, "looking does not spend it"
    assert 200 == first.get(link[0]).status_code
    answer = first.post(link[0])
    assert (303, "/bench/") == (answer.status_code, urlsplit(answer.headers["Location"]).path)
    assert 200 == first.get("/v1/units").status_code
    spent = second.post(link[0])
    assert (410, None) == (spent.status_code, spent.headers.get("Set-Cookie"))
    assert 401 == second.get("/v1/units").status_code


def test_an_enrolment_link_ends_after_an_hour(app, link, clock):
    clock.advance(hours=1)
    assert 410 == app.test_client().post(link[0]).status_code


@pytest.mark.parametrize("code", ["x", "fb1.d-1.x", "fb1..", "%00", "fb1.d-1.%F0%9F%94%A7", "a" * 3000])
def test_a_made_up_link_enrols_nobody(app, book, code):
    """What no address can hold is no address (404); every other link is spent or was never made."""
    answer = app.test_client().post(f"/bench/enrol/{code}")
    assert (404 if code == "%00" else 410, None) == (answer.status_code, answer.headers.get("Set-Cookie"))


def test_the_cookie_is_out_of_reach_of_scripts_and_of_other_sites(app, link):
    cookie = app.test_client().post(link[0]).headers["Set-Cookie"]
    parts = {p.strip().lower() for p in cookie.split(";")}
    assert {"httponly", "samesite=strict", "path=/"} <= parts
    assert "secure" not in parts, "the demo is served without TLS"


def test_the_cookie_is_secure_over_tls(app, link):
    cookie = app.test_client().post(link[0], base_url="https://bench.example").headers["Set-Cookie"]
    assert "secure" in {p.strip().lower() for p in cookie.split(";")}


@pytest.fixture
def bench(app, link):
    """A browser at the enrolled device."""
    browser = app.test_client()
    browser.post(link[0])
    return browser


def test_a_write_by_cookie_without_the_header_is_403(bench, store, client):
    """A form of another site can be sent with a cookie, but never with a header of its own."""
    client.post("/v1/entries", json=make.registered())
    before = rows(store)
    assert shut(bench.post("/v1/entries", json=make.scanned()), 403, "not-allowed")
    assert before == rows(store)
    assert 201 == bench.post("/v1/entries", json=make.scanned(), headers={"X-Fettlebook": "1"}).status_code


def test_a_revoked_device_is_out_at_the_next_request(bench, store, book, link, clock):
    assert 200 == bench.get("/v1/units").status_code
    with store.writing.begin() as connection:
        assert tokens.revoke_device(connection, book.number, link[1].id, clock())
    assert shut(bench.get("/v1/units"), 401, "no-token")


def test_a_revoked_device_cannot_be_enrolled_with_its_old_link(app, store, book, link, clock):
    with store.writing.begin() as connection:
        tokens.revoke_device(connection, book.number, link[1].id, clock())
    assert 410 == app.test_client().post(link[0]).status_code


def test_a_token_in_the_header_comes_before_the_cookie(bench):
    """A bad token is not saved by a good cookie."""
    assert 401 == bench.get("/v1/units", headers={"Authorization": "Bearer x"}).status_code


# Roles


def test_an_auditor_reads_all_and_sends_nothing_yet(auditor_client, client, store):
    client.post("/v1/entries", json=make.registered())
    before = rows(store)
    assert 200 == auditor_client.get("/v1/units/U-1/card").status_code
    assert 200 == auditor_client.get("/v1/entries").status_code
    for method, path in WRITES:
        assert shut(auditor_client.open(path, method=method, json=make.scanned()), 403, "not-allowed")
    assert before == rows(store)


@pytest.mark.parametrize("role", ["bench", "stand", "stores", "quality", "erp", "signatory"])
def test_the_directory_is_kept_by_lead_and_manager(client_of, role):
    client = client_of(role)
    assert shut(client.post("/v1/people", json={"id": "x", "name": "X", "role": "bench"}), 403, "not-allowed")
    assert shut(
        client.post("/v1/people/ada.bench/roles", json={"role": "lead", "from_on": "2026-01-01"}), 403, "not-allowed"
    )


# What every answer carries


@pytest.mark.parametrize("path", ["/", "/docs", "/bench/", "/healthz", "/v1/units", "/nothing", "/v1/openapi.json"])
def test_every_answer_tells_the_browser_to_be_careful(client, path):
    with client.get(path) as answer:
        headers = answer.headers
    assert ("nosniff", "no-referrer") == (headers["X-Content-Type-Options"], headers["Referrer-Policy"])
    policy = headers["Content-Security-Policy"]
    assert "frame-ancestors 'none'" in policy
    assert "unsafe" not in policy
