"""`fettlebook-audit fetch` and `check` against a running service; nothing of the service is imported."""

import json
import subprocess
import sys
import urllib.request
from base64 import b64encode
from hashlib import sha256

import pytest

from fettlebook_audit.cli import main


@pytest.fixture(scope="module")
def served(tmp_path_factory):
    data = tmp_path_factory.mktemp("depot")
    command = [sys.executable, "-m", "service_api.cli", "--data", str(data), "--json"]
    process = subprocess.Popen([*command, "demo", "--port", "0"], stdout=subprocess.PIPE, text=True)
    try:
        said = json.loads(process.stdout.readline())
        request = urllib.request.Request(
            f"{said['url']}/v1/log/checkpoint", headers={"Authorization": f"Bearer {said['tokens']['admin']}"}
        )
        urllib.request.urlopen(request, timeout=10).close()  # the first checkpoint makes the key
        keys = subprocess.run([*command, "key", "list"], capture_output=True, text=True, check=True).stdout
        yield said | {"key": json.loads(keys)["keys"][-1]["key"]}
    finally:
        process.terminate()
        process.wait(10)
        process.stdout.close()


@pytest.fixture
def token(served, monkeypatch):
    monkeypatch.setenv("FETTLEBOOK_TOKEN", served["tokens"]["admin"])


def test_the_demo_book_is_taken_away_goes_on_and_checks(served, token, tmp_path, capsys):
    assert 0 == main(["fetch", served["url"], str(tmp_path), "--key", served["key"]])
    assert f"{served['entries']} entries" in capsys.readouterr().out
    assert 0 == main(["check", str(tmp_path)])
    assert f"{served['entries']} entries, 1 checkpoints, no faults\n" == capsys.readouterr().out
    lost = sorted((tmp_path / "tile" / "entries").rglob("*"))[-1]
    lost.unlink()
    assert 0 == main(["fetch", served["url"], str(tmp_path)])
    assert "1 files fetched" in capsys.readouterr().out
    assert lost.is_file()


def test_the_bundle_of_a_unit_of_the_demo_checks(served, token, tmp_path, capsys):
    request = urllib.request.Request(
        f"{served['url']}/v1/units/SEL-004/bundle", headers={"Authorization": f"Bearer {served['tokens']['admin']}"}
    )
    with urllib.request.urlopen(request, timeout=10) as answer:
        (tmp_path / "bundle.json").write_bytes(answer.read())
    assert 0 == main(["bundle", str(tmp_path / "bundle.json"), "--key", served["key"]])
    assert "SEL-004 of" in capsys.readouterr().out


def test_the_histories_of_the_demo_follow_from_its_entries(served, token, tmp_path, capsys):
    """FAC-003 and FAC-006 wore each other's label for twelve weeks: entries were moved between their pages."""
    copy = str(tmp_path / "copy")
    assert 0 == main(["fetch", served["url"], copy, "--key", served["key"]])
    marks = set()
    for unit in ("SEL-004", "SEL-007", "FAC-003", "FAC-006", "G-017"):
        capsys.readouterr()
        assert 0 == main(["unit", unit, copy, "--url", served["url"], "--json"]), capsys.readouterr().out
        marks |= {line["mark"] for line in json.loads(capsys.readouterr().out)["lines"]}
    assert {None, "moved_in", "moved_out"} <= marks
    assert 0 == main(["unit", "SEL-004", copy])
    assert "unit.registered" in capsys.readouterr().out
    assert 3 == main(["unit", "NONE", copy])


def test_another_key_than_the_book_s_is_badly_signed_and_nothing_is_kept(served, token, tmp_path, capsys):
    name = served["key"].split("+")[0]
    key_id = sha256(name.encode() + b"\n\1" + bytes(32)).hexdigest()[:8]
    other = f"{name}+{key_id}+{b64encode(bytes([1]) + bytes(32)).decode()}"
    assert 1 == main(["fetch", served["url"], str(tmp_path), "--key", other])
    assert "badly signed: no key that is known here" in capsys.readouterr().err
    assert not (tmp_path / "checkpoints").exists()


def test_without_a_token_or_a_service_it_is_said_in_words(served, monkeypatch, tmp_path, capsys):
    monkeypatch.delenv("FETTLEBOOK_TOKEN", raising=False)
    assert 3 == main(["fetch", served["url"], str(tmp_path), "--key", served["key"]])
    assert "401" in capsys.readouterr().err
    assert 3 == main(["fetch", "http://127.0.0.1:9", str(tmp_path)])
    assert 3 == main(["fetch", "nonsense", str(tmp_path)])


def test_a_token_that_is_none_is_not_told(served, monkeypatch, tmp_path, capsys):
    monkeypatch.setenv("FETTLEBOOK_TOKEN", "fb1.secret\nnext")
    assert 3 == main(["fetch", served["url"], str(tmp_path), "--key", served["key"]])
    said = capsys.readouterr().err
    assert ("FETTLEBOOK_TOKEN" in said, "secret" in said) == (True, False)


@pytest.mark.parametrize("words", [["fetch"], [], ["fetch", "http://127.0.0.1:9", "copy", "--key", "nonsense"]])
def test_wrong_use_is_exit_status_2(words, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    with pytest.raises(SystemExit) as ended:
        main(words)
    assert 2 == ended.value.code
    assert [] == list(tmp_path.iterdir())
