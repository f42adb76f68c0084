"""Killed, stopped, cut off: every change arrives once, in order, as it does undisturbed (JOB.md question 17)."""

import random
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import erp_pullers as pullers
from erp_running import Running, count_in, environment, free_port, held_in, serving, under
from erp_scripted import ROWS, Scripted, change

from fettlebook_erp.lines import LinesSink
from fettlebook_erp.pages import Page, read_page
from fettlebook_erp.pulling import Pulled
from fettlebook_erp.pulling import pull as pull_all

KILLS = 30
SEED = 20251103


def asked_for(service: Running) -> list[dict[str, Any]]:
    """Every change of the service, asked for without the code under test."""
    found: list[dict[str, Any]] = []
    start = "0"
    while (page := service.ask(f"/v1/changes?from={start}&limit=500"))["changes"]:
        found += page["changes"]
        start = page["next"]
    return [{"generation": page["generation"], **row} for row in found]


def words(service: Running, to: str, limit: int, *more: str) -> list[str]:
    said = ["pull", "--url", service.url, "--token-file", str(service.token_file), "--to", to]
    return [*said, "--limit", str(limit), "--patience", "20", *more]


def file_of(to: str) -> Path:
    return Path(to.removeprefix("sqlite:///"))


def size_of(to: str) -> int:
    return file_of(to).stat().st_size if file_of(to).exists() else 0


def undisturbed(service: Running, to: str, folder: Path) -> str:
    """A sink of the same kind, filled by one pull that nobody disturbed."""
    calm = to.replace(file_of(to).stem, "calm")
    pull_to_the_end(pullers.run, service, calm, folder / "said-calm")
    return calm


def pull_to_the_end(target: Callable[..., None], service: Running, to: str, said: Path) -> None:
    process = pullers.FORKS.Process(target=target, args=(words(service, to, 500), said))
    process.start()
    process.join(20)
    ended = process.exitcode
    process.close()
    assert 0 == ended, said.read_text()


def pulled_under_kills(
    target: Callable[..., None], service: Running, to: str, said: Path, limit: int, bytes_in_all: int
) -> list[dict[str, Any]]:
    """What the sink holds after 30 kills and one pull to the end.

    Each comes at a random moment after the sink has grown by a random part of 1/35 of all, so that all of them come
    before the end on a fast machine too; one in six comes before a page was stored.
    """
    moments = random.Random(SEED)
    sizes = set()
    for _ in range(KILLS):
        enough = size_of(to) + moments.uniform(-0.2, 1) * bytes_in_all / 35
        process = pullers.FORKS.Process(target=target, args=(words(service, to, limit), said))
        process.start()
        while size_of(to) < enough and process.exitcode is None:
            time.sleep(0.001)
        time.sleep(moments.uniform(0, 0.02))
        process.kill()
        process.join()
        ended = process.exitcode
        process.close()
        assert -signal.SIGKILL == ended, f"it was not killed, it ended: {said.read_text()}"
        sizes.add(count_in(to))
    assert len(sizes) > KILLS / 2, f"too many were killed before they had stored anything: {sizes}"
    pull_to_the_end(target, service, to, said)
    return held_in(to)


def test_every_change_arrives_once_and_in_order_through_30_kills(service: Running, to: str, tmp_path: Path) -> None:
    whole = asked_for(service)
    calm = undisturbed(service, to, tmp_path)
    assert whole == held_in(calm)
    assert len(whole) > 1000
    assert whole == pulled_under_kills(pullers.run, service, to, tmp_path / "said", 2, size_of(calm))
    if "://" not in to:
        assert Path(calm).read_bytes() == Path(to).read_bytes()


def test_a_sink_that_stores_the_cursor_before_the_rows_would_show(service: Running, tmp_path: Path) -> None:
    """The negative control: the test above sees such a sink lose changes."""
    to = f"sqlite:///{tmp_path / 'erp.db'}"
    calm = undisturbed(service, to, tmp_path)
    held = pulled_under_kills(pullers.run_cursor_first, service, to, tmp_path / "said", 4, size_of(calm))
    assert len(held) < len(held_in(calm))


def test_an_undisturbed_pull_is_what_the_service_gives(service: Running, to: str) -> None:
    for _ in range(2):  # the second finds nothing new
        program = [sys.executable, "-m", "fettlebook_erp", *words(service, to, 400)]
        done = subprocess.run(program, env=environment(), capture_output=True, text=True, timeout=30)
        assert (0, "") == (done.returncode, done.stderr)
        assert asked_for(service) == held_in(to)


def test_a_follower_outlives_the_service_and_takes_what_comes(
    book_of_its_own: tuple[Path, Path], to: str, tmp_path: Path
) -> None:
    port, said = free_port(), tmp_path / "said"
    with serving(*book_of_its_own, port) as service:
        whole = asked_for(service)
        process = pullers.FORKS.Process(target=pullers.run, args=(words(service, to, 10, "--follow"), said))
        process.start()
        _until(lambda: count_in(to) > 20)
    assert count_in(to) < len(whole), "the service was stopped in the middle"
    time.sleep(0.3)
    with serving(*book_of_its_own, port) as service:
        _until(lambda: count_in(to) >= len(whole))
        assert whole == held_in(to)
        service.ask("/v1/entries", NEW)
        _until(lambda: count_in(to) > len(whole))
        process.terminate()
        process.join(10)
        ended = process.exitcode
        process.close()
        assert asked_for(service)[len(whole) :] == held_in(to)[len(whole) :]
    assert 0 == ended, said.read_text()
    assert "SEL-004" == held_in(to)[-1]["unit"]


NEW = {
    "id": "01990000-0000-7000-8000-00000000e001",
    "type": "reading.taken",
    "v": 1,
    "subject": "unit:SEL-004",
    "occurred_at": "2025-11-03T09:40:00+01:00",
    "by": "orrin.tamsley",
    "data": {
        "characteristic": "SEL-BL",
        "stage": "as_found",
        "uom": "circ",
        "gauge": "G-022",
        "readings": [{"value": "0.12", "position": p} for p in ("25", "50", "75")],
    },
}


def _until(so: Callable[[], bool]) -> None:
    until = time.monotonic() + 20
    while not so():
        assert time.monotonic() < until, "it did not come"
        time.sleep(0.05)


class Asked:
    """A scripted book, asked without HTTP."""

    def __init__(self) -> None:
        self.held = Scripted()

    def changes(self, start: str, limit: int, wait: int) -> Page:
        return read_page(self.held.changes(start, limit), start)

    def has_entry(self, index: int) -> bool:
        return index < self.held.size


def test_a_file_cut_at_any_byte_comes_out_whole(tmp_path: Path) -> None:
    """The file only ever grows at its end, so every state that a kill can leave is a beginning of the whole file.

    When the pull goes on the units stand otherwise, and the lines are shorter than those that were torn.
    """
    before, after, rows = Asked(), Asked(), ROWS[:5]
    before.held.rows = rows
    after.held.rows = [change(row["index"], row["unit"], standing="in") for row in rows]
    whole, path = tmp_path / "whole.jsonl", tmp_path / "changes.jsonl"
    with LinesSink(whole) as sink:
        pull_all(before, sink, 4, Pulled())
    for length in range(whole.stat().st_size + 1):
        left = whole.read_bytes()[:length]
        path.write_bytes(left)
        done = Pulled()
        with LinesSink(path) as sink:
            pull_all(after, sink, 1 + length % 4, done)
        kept = left.count(b"\n")
        assert under("1", rows[:kept] + after.held.rows[kept:]) == held_in(str(path)), f"cut after {length} bytes"
        assert len(rows) - kept == done.changes


def test_the_last_line_is_found_however_long_it_is(tmp_path: Path) -> None:
    """Longer than the block in which the file is read from its end."""
    source, path = Asked(), tmp_path / "changes.jsonl"
    source.held.rows = [change(0, "A-1"), change(1, "A-2", standing="x" * 200_000)]
    for _ in range(2):
        with LinesSink(path) as sink:
            pull_all(source, sink, 1, Pulled())
    assert ["0:A-1", "1:A-2"] == [row["cursor"] for row in held_in(str(path))]
