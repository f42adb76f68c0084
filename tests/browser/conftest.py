"""The demo depot served by the real program, and the distribution's Chromium to look at its bench page."""

import json
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.error import HTTPError
from urllib.parse import quote
from urllib.request import Request, urlopen

import pytest

ROOT = Path(__file__).parents[2]
FLAGS = [
    "--no-sandbox",
    "--headless=new",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
]
SIZES = {"tablet": {"width": 1024, "height": 768}, "phone": {"width": 390, "height": 844}}


def missing(program: str) -> None:
    """Without its program a test is skipped aloud; where everything must run (CI) it fails."""
    if os.environ.get("CI") == "true":
        pytest.fail(f"{program} is not installed, and every test must run here")
    pytest.skip(f"NOT TESTED: {program} is not installed")


@dataclass
class Depot:
    """A running demo: where it is, its tags, and an admin's way to ask and to write."""

    url: str
    enrol_url: str
    tags: dict[str, str]
    token: str
    counter: list[int] = field(default_factory=lambda: [0])

    def ask(self, path: str, body: Any = None) -> Any:
        data = None if body is None else json.dumps(body).encode()
        headers = {"Authorization": f"Bearer {self.token}", "Content-Type": "application/json"}
        try:
            with urlopen(Request(self.url + path, data, headers), timeout=20) as answer:
                return json.loads(answer.read())
        except HTTPError as error:
            pytest.fail(f"{path}: {error.code} {error.read().decode()[:400]}")

    def tell(self, type_: str, subject: str, data: dict[str, Any], at: str, by: str = "iska.thornwell") -> Any:
        """Records one entry; ids count up, so that a failing run can be read."""
        self.counter[0] += 1
        entry = {"id": f"00000000-0000-7000-8000-{self.counter[0]:012d}", "type": type_, "v": 1, "subject": subject}
        return self.ask("/v1/entries", entry | {"occurred_at": at, "by": by, "data": data})

    def condition(self, unit: str, code: str) -> dict[str, Any]:
        rows = self.ask(f"/v1/units/{quote(unit)}/condition")["characteristics"]
        return next(row for row in rows if row["characteristic"] == code)


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Depot]:
    """The demo depot in a folder of its own, on a port that the system chose."""
    data = tmp_path_factory.mktemp("depot")
    log = data / "stderr.txt"
    command = [sys.executable, "-m", "service_api.cli", "--data", str(data / "book"), "--json", "demo", "--port", "0"]
    with log.open("w") as errors:
        running = subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, stderr=errors, text=True)
        try:
            first = running.stdout.readline() if running.stdout else ""
            if not first.strip():
                running.wait(10)
                pytest.fail(f"the demo did not start:\n{log.read_text()[-2000:]}")
            said = json.loads(first)
            yield Depot(said["url"], said["enrol_url"], said["tags"], said["tokens"]["admin"])
        finally:
            running.terminate()
            try:
                running.wait(10)
            except subprocess.TimeoutExpired:
                running.kill()
                running.wait()
            if running.stdout:
                running.stdout.close()


@pytest.fixture(scope="session")
def chromium() -> Iterator[Any]:
    """The distribution's Chromium; nothing is downloaded."""
    program = shutil.which("chromium")
    if program is None:
        missing("chromium")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=program, args=FLAGS)
        yield browser
        browser.close()


@pytest.fixture(scope="session")
def cookie(demo: Depot, chromium: Any) -> Any:
    """What an enrolled device holds: the link is opened once, as a person would."""
    context = chromium.new_context()
    page = context.new_page()
    page.goto(demo.enrol_url)
    page.get_by_role("button").click()
    page.wait_for_url("**/bench/")
    state = context.storage_state()
    context.close()
    return state


class Bench:
    """A bench page and everything that went wrong in it."""

    def __init__(self, page: Any, demo: Depot) -> None:
        self.page, self.demo = page, demo
        self.errors: list[str] = []
        page.on("pageerror", lambda error: self.errors.append(str(error)))
        page.on("console", self._console)
        page.on("request", lambda r: r.url.startswith(demo.url) or self.errors.append(f"third party: {r.url}"))

    def _console(self, message: Any) -> None:
        # a refused call is an answer, not a fault of the page; the browser reports it all the same
        if message.type == "error" and "Failed to load resource" not in message.text:
            self.errors.append(message.text)

    def open(self, query: str = "") -> "Bench":
        self.page.goto(f"{self.demo.url}/bench/{query}")
        self.page.locator("html[data-ready=true]").wait_for()
        return self

    def scan(self, text: str) -> None:
        """A wedge scanner: a burst of keys ending in Enter, wherever the focus is."""
        self.page.keyboard.type(text, delay=5)
        self.page.keyboard.press("Enter")

    def on_clip(self, unit: str) -> None:
        self.page.locator("#clip-unit", has_text=unit).wait_for()
        self.page.locator("#page .whom").first.wait_for()
        self.page.locator("#chart figcaption").wait_for()

    def text(self, selector: str) -> str:
        return str(self.page.locator(selector).inner_text())

    def said(self, selector: str, words: str) -> str:
        """Waits until the place says these words; gives all of its text."""
        self.page.locator(selector, has_text=words).wait_for()
        return self.text(selector)


@pytest.fixture
def bench_of(demo: Depot, chromium: Any, cookie: Any) -> Iterator[Any]:
    """Makes bench pages: `bench_of(size="tablet", enrolled=True)`. At the end none may have had an error."""
    made: list[tuple[Any, Bench]] = []

    def make(size: str = "tablet", enrolled: bool = True, **more: Any) -> Bench:
        state = cookie if enrolled else None
        context = chromium.new_context(viewport=SIZES[size], storage_state=state, **more)
        context.set_default_timeout(10_000)
        bench = Bench(context.new_page(), demo)
        made.append((context, bench))
        return bench

    yield make
    errors = [error for _, bench in made for error in bench.errors]
    for context, _ in made:
        context.close()
    assert [] == errors, "the page ran without an error, a blocked script or a request to a third party"


@pytest.fixture
def bench(bench_of: Any) -> Bench:
    return bench_of()  # type: ignore[no-any-return]
