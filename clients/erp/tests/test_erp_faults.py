"""A service that is away, busy, wrong or changed: what is tried again, what is not, and with which exit status."""

import json
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from email.utils import format_datetime
from http.server import BaseHTTPRequestHandler
from pathlib import Path
from typing import Any

import pytest
from click.testing import Result
from erp_running import free_port, held_in, under
from erp_scripted import ROWS, SIZE, TOKEN, Scripted, change, give, replies, says, scripted

from fettlebook_erp.service import Service
from fettlebook_erp.trouble import CouldNotRun

Pull = Callable[..., Result]
WHOLE = under("1", ROWS)


def cause(result: Result) -> str:
    """The last line on stderr."""
    return result.stderr.strip().splitlines()[-1]


def cut_short(handler: BaseHTTPRequestHandler) -> None:
    give(handler, 200, json.dumps({"changes": ROWS[:2], "next": "2:A-1", "generation": "1"}).encode(), cut=30)


def hangs_up(handler: BaseHTTPRequestHandler) -> None:
    handler.close_connection = True


@pytest.mark.parametrize("fault", [cut_short, hangs_up, says(500), says(502), says(429)])
def test_what_passes_by_itself_is_asked_again(fake: Scripted, pull: Pull, to: str, fault: Any) -> None:
    fake.faults = [None, fault, fault]
    result = pull()
    assert (0, WHOLE) == (result.exit_code, held_in(to))
    assert ["0", "2:A-1", "2:A-1", "2:A-1", "3:A-2"] == fake.froms()[:5]


@pytest.mark.parametrize("status", [503, 429])
def test_a_busy_service_is_left_alone_as_long_as_it_asks(
    fake: Scripted, pull_lines: Pull, tmp_path: Path, status: int
) -> None:
    fake.faults = [says(status, "Busy", Retry_After="1")]
    begun = time.monotonic()
    result = pull_lines()
    assert (0, WHOLE) == (result.exit_code, held_in(str(tmp_path / "changes.jsonl")))
    assert time.monotonic() - begun >= 1


def test_retry_after_may_be_a_date(fake: Scripted, pull_lines: Pull) -> None:
    """RFC 9110, 10.2.3; a date has whole seconds, so 2 ahead is at least 1."""
    date = format_datetime(datetime.now(UTC) + timedelta(seconds=2), usegmt=True)
    fake.faults = [says(503, Retry_After=date)]
    begun = time.monotonic()
    assert 0 == pull_lines().exit_code
    assert time.monotonic() - begun >= 1


def test_a_service_that_asks_for_more_than_the_patience_is_given_up(fake: Scripted, pull_lines: Pull) -> None:
    fake.faults = [says(503, "Busy", Retry_After="3600")]
    result = pull_lines()
    assert 3 == result.exit_code
    assert cause(result).endswith("503 Busy: as scripted")
    assert 1 == len(fake.asked)


def test_a_service_that_stays_broken_is_given_up_when_the_patience_is_over(fake: Scripted, pull_lines: Pull) -> None:
    fake.faults = [says(500, "Internal")] * 100
    result = pull_lines("--patience", 1)
    assert 3 == result.exit_code
    assert cause(result).endswith("500 Internal: as scripted")
    assert 2 <= len(fake.asked) < 100


def test_nobody_there_is_could_not_run(command: Callable[..., Result], to: str) -> None:
    url = f"http://127.0.0.1:{free_port()}"
    result = command("pull", "--url", url, "--to", to, "--patience", 0.5)
    assert 3 == result.exit_code
    assert "refused" in cause(result)


@pytest.mark.parametrize("status", [400, 401, 403, 404, 422])
def test_a_refusal_is_never_asked_again(fake: Scripted, pull_lines: Pull, status: int) -> None:
    fake.faults = [says(status, "No token", Retry_After="0")]
    result = pull_lines()
    assert 3 == result.exit_code
    assert cause(result).endswith(f"{status} No token: as scripted")
    assert 1 == len(fake.asked)
    assert ("refuses the token" in cause(result)) == (status in (401, 403))
    assert TOKEN not in result.output


def test_a_redirect_does_not_take_the_token_elsewhere(fake: Scripted, pull_lines: Pull) -> None:
    with scripted() as elsewhere:
        fake.faults = [says(307, Location=f"{elsewhere.url}/v1/changes")]
        assert 3 == pull_lines().exit_code
        assert [] == elsewhere.asked
    assert {f"Bearer {TOKEN}"} == fake.tokens


def test_a_reply_that_drips_has_a_deadline(fake: Scripted) -> None:
    """Each piece comes in time; the whole does not."""

    def drips(handler: BaseHTTPRequestHandler) -> None:
        handler.send_response(200)
        handler.send_header("Content-Length", "1000")
        handler.end_headers()
        for _ in range(30):
            handler.wfile.write(b" ")
            handler.wfile.flush()
            time.sleep(0.1)

    fake.faults = [drips]
    begun = time.monotonic()
    with Service(fake.url, TOKEN, patience=0, deadline=0.5) as service, pytest.raises(CouldNotRun, match="whole reply"):
        service.changes("0", 1, 0)
    assert time.monotonic() - begun < 2


# A book that went back


def test_a_cursor_beyond_the_book_is_found_wrong(fake: Scripted, pull: Pull, to: str) -> None:
    pull()
    fake.rows, fake.size = ROWS[:3], 3
    for _ in range(2):  # it does not heal by being asked again
        result = pull()
        assert 1 == result.exit_code
        assert "went back behind the cursor" in cause(result)
        assert WHOLE == held_in(to)


def test_the_end_of_a_book_is_not_taken_for_a_book_that_went_back(fake: Scripted, pull: Pull, to: str) -> None:
    """The book grows by an entry that changes nothing, too."""
    assert [0, 0] == [pull().exit_code for _ in range(2)]
    fake.size += 1
    assert [0, 0] == [pull().exit_code for _ in range(2)]
    fake.rows, fake.size = [*ROWS, change(SIZE + 1, "A-2")], SIZE + 2
    assert 0 == pull().exit_code
    assert under("1", fake.rows) == held_in(to)


def test_an_empty_book_is_no_fault(fake: Scripted, pull: Pull, to: str) -> None:
    fake.rows, fake.size = [], 0
    assert (0, []) == (pull().exit_code, held_in(to))


# A new generation

ROW_COUNT = ("read_again", "changes")


def of_new_rules() -> list[dict[str, Any]]:
    """By the new rules every condition is another, and entry 2 is no change any more."""
    return [change(r["index"], r["unit"], standing="blocked") for r in ROWS if r["index"] != 2]


def read_again(to: str) -> list[dict[str, Any]]:
    if "://" in to:
        return held_in(to)
    return held_in(to.replace(".jsonl", ".reading-2.jsonl"))


def test_a_new_generation_is_read_from_the_beginning(fake: Scripted, pull: Pull, to: str) -> None:
    pull()
    fake.rows, fake.generation = of_new_rules(), "2"
    result = pull("--json")
    assert (0, True, len(ROWS) - 1) == (result.exit_code, *(json.loads(result.stdout)[n] for n in ROW_COUNT))
    new = under("2", of_new_rules())
    if "://" in to:  # each row replaces that of its index and unit; the other stays, and says its generation
        assert [WHOLE[2], *new] == read_again(to)
    else:  # a new file; the old one is as it was
        assert (WHOLE, new) == (held_in(to), read_again(to))
    fake.rows.append(change(SIZE, "A-9"))
    fake.size += 1
    assert 0 == pull().exit_code
    assert "A-9" == read_again(to)[-1]["unit"]
    assert len(new) + 1 == len([row for row in read_again(to) if row["generation"] == "2"])


def test_new_rules_for_a_book_without_changes_are_nothing_to_read_again(fake: Scripted, pull: Pull, to: str) -> None:
    fake.rows = []
    assert 0 == pull().exit_code
    fake.rows, fake.size, fake.generation = [change(SIZE, "A-1")], SIZE + 1, "2"
    assert not json.loads(pull("--json").stdout)["read_again"]
    assert under("2", fake.rows) == held_in(to)


def test_a_generation_that_changes_in_the_middle_mixes_nothing(fake: Scripted, pull: Pull, to: str) -> None:
    def changes_rules(handler: BaseHTTPRequestHandler) -> None:
        fake.rows, fake.generation = of_new_rules(), "2"
        give(handler, 200, json.dumps(fake.changes("2:A-1", 2)).encode())

    fake.faults = [None, changes_rules]
    assert 0 == pull().exit_code
    assert ["0", "2:A-1", "0"] == fake.froms()[:3]
    assert under("2", of_new_rules()) == read_again(to)


def test_a_reading_that_was_killed_before_its_first_line_goes_on(
    fake: Scripted, pull_lines: Pull, tmp_path: Path
) -> None:
    to = str(tmp_path / "changes.jsonl")
    pull_lines()
    (tmp_path / "changes.reading-2.jsonl").touch()
    fake.rows, fake.generation = of_new_rules(), "2"
    assert 0 == pull_lines().exit_code
    assert (WHOLE, under("2", of_new_rules())) == (held_in(to), read_again(to))
    assert not (tmp_path / "changes.reading-3.jsonl").exists()


# Replies that the contract does not allow

GOOD = {"changes": ROWS[:2], "next": "2", "generation": "1"}


@pytest.mark.parametrize(
    "reply",
    [
        pytest.param(b"<html>", id="no JSON"),
        pytest.param([], id="a list"),
        pytest.param({"changes": ROWS[:2], "next": "2"}, id="no generation"),
        pytest.param(GOOD | {"generation": "../../x"}, id="a generation that is no word"),
        pytest.param(GOOD | {"next": 2}, id="a next that is no text"),
        pytest.param(GOOD | {"next": "later"}, id="a next that is no cursor"),
        pytest.param(GOOD | {"next": "0"}, id="a next that does not go on"),
        pytest.param(GOOD | {"changes": [ROWS[1], ROWS[0]]}, id="rows out of order"),
        pytest.param(GOOD | {"changes": [ROWS[0], ROWS[0]]}, id="a row twice"),
        pytest.param(GOOD | {"changes": [ROWS[0] | {"cursor": "7:A-1"}]}, id="the cursor of another row"),
        pytest.param(GOOD | {"changes": [{"cursor": "0:A-1", "index": 0, "unit": "A-1"}]}, id="no condition"),
        pytest.param(GOOD | {"changes": ["0:A-1"]}, id="rows that are texts"),
    ],
)
def test_a_reply_of_another_form_is_found_wrong_and_not_stored(fake: Scripted, pull: Pull, to: str, reply: Any) -> None:
    fake.faults = [replies(reply)]
    result = pull()
    assert (1, []) == (result.exit_code, held_in(to)), result.output
    assert 1 == len(fake.asked)


def test_rows_before_the_cursor_are_found_wrong(fake: Scripted, pull: Pull, to: str) -> None:
    fake.faults = [None, replies(GOOD)]
    assert (1, WHOLE[:2]) == (pull().exit_code, held_in(to))
