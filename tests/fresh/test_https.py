"""The recipes of docs/https.md: nginx in front, and the service's own TLS. A secure bench has a `__Host-` cookie."""

import http.cookiejar
import json
import os
import re
import shutil
import ssl
import subprocess
import sys
import time
import urllib.request
from pathlib import Path
from urllib.error import HTTPError, URLError

import pytest

from tests.bench.running import free_port
from tests.browser.conftest import missing

ROOT = Path(__file__).parents[2]
COMMAND = [sys.executable, "-m", "service_api.cli"]


@pytest.fixture(scope="module")
def pair(tmp_path_factory):
    """A certificate of this test's own for 127.0.0.1, and its key."""
    if shutil.which("openssl") is None:
        missing("openssl")
    folder = tmp_path_factory.mktemp("tls")
    made = ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes"]
    names = ["-days", "2", "-subj", "/CN=127.0.0.1", "-addext", "subjectAltName=IP:127.0.0.1"]
    files = ["-keyout", str(folder / "key.pem"), "-out", str(folder / "cert.pem")]
    subprocess.run([*made, *names, *files], check=True, capture_output=True)
    return folder / "cert.pem", folder / "key.pem"


@pytest.fixture
def depot(tmp_path):
    """A folder with a book, a person with badge and PIN, and a way to run commands on it."""
    (tmp_path / "pin").write_text("4711\n")

    def run(*words):
        done = subprocess.run(
            [*COMMAND, "--data", str(tmp_path / "book"), "--json", *words], capture_output=True, text=True, cwd=ROOT
        )
        assert 0 == done.returncode, done.stderr
        return json.loads(done.stdout)

    run("book", "new", "https.example/depot")
    badge = ("--badge", "FP.ADA", "--pin-from", str(tmp_path / "pin"))
    run("person", "add", "ada", "--name", "Ada", "--role", "lead", *badge)
    run.data = tmp_path / "book"
    return run


def serving(depot, *words):
    """A serving process and the line that it says when it takes connections."""
    process = subprocess.Popen(
        [*COMMAND, "--data", str(depot.data), "--json", "serve", *words], stdout=subprocess.PIPE, text=True, cwd=ROOT
    )
    return process, json.loads(process.stdout.readline())


def stop(process):
    process.terminate()
    process.wait(20)
    if process.stdout:
        process.stdout.close()


class Browser:
    """Asks over TLS, believes this test's certificate alone, and keeps cookies as a browser does."""

    def __init__(self, cert):
        self.cookies = http.cookiejar.CookieJar()
        context = ssl.create_default_context(cafile=str(cert))
        self.opener = urllib.request.build_opener(
            urllib.request.HTTPSHandler(context=context), urllib.request.HTTPCookieProcessor(self.cookies)
        )

    def ask(self, url, body=None, method=None):
        headers = {"X-Fettlebook": "1", "Content-Type": "application/json"}
        data = None if body is None else json.dumps(body).encode()
        request = urllib.request.Request(url, data, headers, method=method)
        for _ in range(100):
            try:
                with self.opener.open(request, timeout=20) as answer:
                    return answer.status, answer.headers, answer.read()
            except HTTPError:
                raise
            except URLError:
                time.sleep(0.1)
        raise AssertionError(f"nobody answers at {url}")


def a_day_at_a_secure_bench(depot, address, cert):
    """Enrol, sign in, look who is there; every link and cookie is of the secure address."""
    browser = Browser(cert)
    enrolment = depot("device", "enrol", "bench 1", "--url", address)["enrol_url"]
    browser.ask(enrolment, {})
    (cookie,) = browser.cookies
    assert ("__Host-fettlebook_bench", True, "/") == (cookie.name, cookie.secure, cookie.path)
    assert cookie.has_nonstandard_attr("HttpOnly")
    assert "Strict" == cookie.get_nonstandard_attr("SameSite")
    status, _, text = browser.ask(f"{address}/v1/sessions", {"badge": "FP.ADA", "pin": "4711"})
    assert (201, "ada") == (status, json.loads(text)["person"])
    assert "ada" == json.loads(browser.ask(f"{address}/v1/sessions")[2])["sessions"][0]["person"]
    with pytest.raises(HTTPError) as absent:
        browser.ask(f"{address}/v1/units/U-1")
    assert json.loads(absent.value.read())["type"].startswith(f"{address}/problems/")


def test_the_recipe_for_nginx(depot, pair, tmp_path):
    if shutil.which("nginx") is None:
        missing("nginx")
    port, inner = free_port(), free_port()
    (block,) = re.findall(r"```nginx\n(.*?)```", (ROOT / "docs" / "https.md").read_text("utf-8"), re.S)
    for written, here in (
        ("listen 443 ssl", f"listen 127.0.0.1:{port} ssl"),
        ("shop.example", "127.0.0.1"),
        ("/etc/fettlebook/cert.pem", str(pair[0])),
        ("/etc/fettlebook/key.pem", str(pair[1])),
        ("127.0.0.1:8080", f"127.0.0.1:{inner}"),
    ):
        assert written in block
        block = block.replace(written, here)
    paths = "\n".join(f"{n}_temp_path {tmp_path}/{n};" for n in ("client_body", "proxy", "fastcgi", "uwsgi", "scgi"))
    conf = tmp_path / "nginx.conf"
    conf.write_text(
        f"daemon off; pid {tmp_path}/pid; error_log {tmp_path}/error.log;\nevents {{}}\n"
        f"http {{ access_log off; {paths}\n{block} }}\n"
    )
    service, _ = serving(depot, "--port", str(inner), "--proxy", "127.0.0.1")
    front = subprocess.Popen(["nginx", "-c", str(conf), "-e", str(tmp_path / "error.log")], stderr=subprocess.DEVNULL)
    try:
        a_day_at_a_secure_bench(depot, f"https://127.0.0.1:{port}", pair[0])
    finally:
        stop(front)
        stop(service)


def test_the_service_speaks_tls_by_itself(depot, pair):
    cert, key = map(str, pair)
    service, said = serving(depot, "--port", "0", "--cert", cert, "--key", key)
    try:
        assert said["url"].startswith("https://127.0.0.1:")
        a_day_at_a_secure_bench(depot, said["url"], pair[0])
    finally:
        stop(service)


@pytest.mark.parametrize(
    ("words", "status", "said"),
    [
        (("--cert", "CERT"), 2, "go together"),
        (("--key", "KEY"), 2, "go together"),
        (("--cert", "CERT", "--key", "KEY", "--proxy", "127.0.0.1"), 2, "without --proxy"),
        (("--cert", "KEY", "--key", "CERT"), 3, "cannot be used"),
        (("--cert", "nowhere.pem", "--key", "KEY"), 2, "does not exist"),
    ],
)
def test_what_cannot_be_served_is_said(depot, pair, words, status, said):
    files = dict(zip(("CERT", "KEY"), map(str, pair), strict=True))
    command = [*COMMAND, "--data", str(depot.data), "serve", "--port", "0", *(files.get(w, w) for w in words)]
    done = subprocess.run(command, capture_output=True, text=True, cwd=ROOT, timeout=60)
    assert (status, True) == (done.returncode, said in done.stderr), done.stderr


def test_without_the_extra_it_ends_with_3_and_names_it(depot, pair, tmp_path):
    (tmp_path / "gunicorn.py").write_text("raise ImportError('not installed')")
    command = [*COMMAND, "--data", str(depot.data), "serve", "--cert", str(pair[0]), "--key", str(pair[1])]
    env = os.environ | {"PYTHONPATH": f"{tmp_path}:{ROOT}"}
    done = subprocess.run(command, capture_output=True, text=True, cwd=tmp_path, env=env, timeout=60)
    assert (3, True) == (done.returncode, "fettlebook[server]" in done.stderr), done.stderr


def test_a_header_of_anybody_but_the_proxy_is_not_believed(depot):
    """Else plain http could be told to be secure, and its links to lead elsewhere."""
    service, said = serving(depot, "--port", "0")
    try:
        forged = {"X-Forwarded-Proto": "https", "X-Forwarded-Host": "evil.example"}
        request = urllib.request.Request(f"{said['url']}/v1/units", headers=forged)
        with pytest.raises(HTTPError) as refused:
            urllib.request.urlopen(request)
        assert json.loads(refused.value.read())["type"].startswith(said["url"])
    finally:
        stop(service)
