"""Over plain http from another machine the bench says why it wants https; on this machine it opens."""

import pytest


@pytest.mark.parametrize("host", ["shop.example", "192.0.2.7:8080", "127.evil.example", "[2001:db8::1]:8080"])
def test_a_bench_of_another_machine_is_told_why_it_wants_https(stranger, host):
    page = stranger.get("/bench/", headers={"Host": host})
    assert 200 == page.status_code
    assert "The bench wants https" in page.text
    assert "docs/https.md" in page.text


@pytest.mark.parametrize("host", ["localhost", "localhost:8080", "127.0.0.1:8080", "[::1]:8080", "depot.localhost"])
def test_this_machine_is_as_good(stranger, host):
    with stranger.get("/bench/", headers={"Host": host}) as page:
        assert "The bench wants https" not in page.text


def test_over_https_the_bench_opens_and_its_cookie_is_of_this_host_alone(app, store, book, clock):
    from service_api.directory import tokens

    with store.writing.begin() as connection:
        _, code, _ = tokens.enrol(connection, book.number, "bench", clock())
    client = app.test_client()
    secure = {"base_url": "https://shop.example"}
    with client.get("/bench/", **secure) as page:
        assert "The bench wants https" not in page.text
    cookie = client.post(f"/bench/enrol/{code}", **secure).headers["Set-Cookie"]
    assert cookie.startswith("__Host-fettlebook_bench=")
    assert {"Secure", "HttpOnly", "Path=/", "SameSite=Strict"} <= set(cookie.split("; "))
    assert 200 == client.get("/v1/sessions", **secure).status_code
