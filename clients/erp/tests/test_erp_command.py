"""The command: where the token comes from, what it says, and that two pullers do not meet in one sink."""

import json
import re
import shlex
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import Result
from erp_running import held_in, under
from erp_scripted import ROWS, TOKEN, Scripted
from sqlalchemy import make_url

from fettlebook_erp.lines import LinesSink
from fettlebook_erp.tables import TablesSink
from fettlebook_erp.trouble import CouldNotRun

Pull = Callable[..., Result]
Command = Callable[..., Result]
README = Path(__file__).parent.parent / "README.md"


def test_the_two_commands_of_the_readme_run(
    fake: Scripted, command: Command, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("FETTLEBOOK_TOKEN")
    Path("token").write_text(TOKEN + "\n")
    lines = re.findall(r"^fettlebook-erp (.*)$", README.read_text("utf-8"), re.MULTILINE)
    assert ["pull", "status"] == [line.split()[0] for line in lines]
    for line in lines:
        result = command(*shlex.split(line.replace("http://127.0.0.1:8080", fake.url)))
        assert 0 == result.exit_code, result.output
    assert under("1", ROWS) == held_in("changes.jsonl")
    assert {f"Bearer {TOKEN}"} == fake.tokens


def test_the_file_of_the_token_wins_over_the_environment(fake: Scripted, pull_lines: Pull, tmp_path: Path) -> None:
    (tmp_path / "token").write_text("another-token")
    assert 0 == pull_lines("--token-file", tmp_path / "token").exit_code
    assert {"Bearer another-token"} == fake.tokens


def test_without_a_token_nothing_is_asked(fake: Scripted, pull_lines: Pull, monkeypatch: pytest.MonkeyPatch) -> None:
    for text in ("", "two words", "schlüssel"):
        monkeypatch.setenv("FETTLEBOOK_TOKEN", text)
        assert 2 == pull_lines().exit_code
    assert [] == fake.asked


def test_no_argument_takes_a_token(pull_lines: Pull) -> None:
    assert 2 == pull_lines("--token", TOKEN).exit_code


@pytest.mark.parametrize(
    "url", ["ftp://a.example", "a.example", "http://", "http://me:pw@a.example", "http://a.example?x=1", "http://a:b"]
)
def test_an_address_that_is_none_or_holds_a_secret_is_wrong_use(command: Command, to: str, url: str) -> None:
    assert 2 == command("pull", "--url", url, "--to", to).exit_code


@pytest.mark.parametrize("to", ["no/such/folder/changes.jsonl", ".", "nodatabase://x/y"])
def test_a_sink_that_cannot_be_is_said(command: Command, to: str) -> None:
    result = command("pull", "--url", "http://a.example", "--to", to)
    assert result.exit_code in (2, 3)
    assert result.stderr.strip()


def test_a_database_that_cannot_be_opened_is_could_not_run(command: Command) -> None:
    result = command("pull", "--url", "http://a.example", "--to", "sqlite:////no/such/folder/erp.db")
    assert 3 == result.exit_code
    assert result.stderr.endswith("unable to open database file\n")


def test_status_says_how_far_the_pull_has_come(pull: Pull, command: Command, to: str) -> None:
    before = command("status", "--to", to)
    assert 3 == before.exit_code
    assert "nothing was pulled" in before.stderr
    pull()
    said = json.loads(command("status", "--to", to, "--json").stdout)
    # the file's cursor is its last line, the database's is what is asked for next: entries 0 to 6 were seen
    assert (len(ROWS), "1", "7" if "://" in to else "6:A-3") == (said["changes"], said["generation"], said["cursor"])
    assert str(len(ROWS)) in command("status", "--to", to).stdout


def test_status_leaves_a_torn_line_alone_and_says_it(pull_lines: Pull, command: Command, tmp_path: Path) -> None:
    to = tmp_path / "changes.jsonl"
    pull_lines("--to", to)
    torn = to.read_bytes()[:-1]
    to.write_bytes(torn)
    said = json.loads(command("status", "--to", to, "--json").stdout)
    assert (len(ROWS) - 1, True) == (said["changes"], said["torn"])
    assert torn == to.read_bytes()


@pytest.mark.parametrize("text", ["a letter without an end", "name,hours\nSEL-004,12\n", "{}\n", '{"generation": 1}'])
def test_a_file_that_is_not_ours_is_not_touched(pull_lines: Pull, command: Command, tmp_path: Path, text: str) -> None:
    to = tmp_path / "letter.txt"
    to.write_text(text)
    assert [1, 1] == [pull_lines("--to", to).exit_code, command("status", "--to", to).exit_code]
    assert text == to.read_text()


def test_a_second_puller_finds_the_file_locked(pull_lines: Pull, tmp_path: Path) -> None:
    to = tmp_path / "changes.jsonl"
    with LinesSink(to):
        result = pull_lines("--to", to)
    assert 3 == result.exit_code
    assert "another puller" in result.stderr
    assert 0 == pull_lines("--to", to).exit_code


def test_a_second_puller_finds_the_cursor_of_the_database_moved(pull_lines: Pull, tmp_path: Path) -> None:
    to = f"sqlite:///{tmp_path / 'erp.db'}"
    with TablesSink(make_url(to)) as late:
        assert 0 == pull_lines("--to", to).exit_code
        with pytest.raises(CouldNotRun, match="another puller"):
            late.store(ROWS[:2], "1", "2:A-1")
    assert under("1", ROWS) == held_in(to)
