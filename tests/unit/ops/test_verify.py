"""`fettlebook verify`: what is found from the inside, and what needs an outside memory. Drills: tests/faults."""

import json
from hashlib import sha256

import orjson
import pytest
from click.testing import CliRunner
from pymerkle import InmemoryTree

from service_api import cli
from service_api.app import Store
from service_api.log.merkle import Frontier, tile_root
from service_api.ops.leaves import Leaves
from service_api.ops.order import Order, stated
from tests import factories as make
from tests.conftest import FakeClock, settings_in

EVERY_WAY = ["cut tail", "fork signed anew", "old backup"]


def run(folder, *words):
    return CliRunner().invoke(cli.main, ["--data", str(folder), "--json", "verify", *map(str, words)])


def test_a_whole_depot_has_no_fault_and_its_past_needs_an_outside_memory(demo_copy):
    demo_copy.store.close()
    answer = run(demo_copy.folder)
    assert 0 == answer.exit_code, answer.output
    (found,) = json.loads(answer.output)["books"]
    assert (demo_copy.ready.entries, [], EVERY_WAY) == (
        found["entries"],
        found["faults"],
        list(found["needs_outside_memory"]),
    )
    said = CliRunner().invoke(cli.main, ["--data", str(demo_copy.folder), "verify", "--quick"]).output
    assert 3 == said.count("NEEDS AN OUTSIDE MEMORY")


def test_a_folder_without_a_book_is_wrong_use_and_no_clean_book(tmp_path):
    Store(settings_in(tmp_path), FakeClock()).close()
    answer = run(tmp_path)
    assert (2, True) == (answer.exit_code, "there is no book yet" in answer.output), answer.output


def test_where_there_is_no_store_none_is_made(tmp_path):
    answer = run(tmp_path / "typo")
    assert (2, True) == (answer.exit_code, "there is no store in" in answer.output), answer.output
    assert [] == list(tmp_path.iterdir())


@pytest.fixture
def told(tell):
    scans = [make.scanned() for _ in range(297)]
    return tell(make.sheet_issued(), make.registered(), *scans[:258], make.released("R"), *scans[258:])


@pytest.fixture
def peer(client, told):
    tree = InmemoryTree(algorithm="sha256")
    for path in ("000", "001.p/44"):
        content = client.get(f"/v1/log/tile/entries/{path}").data
        while content:
            length = int.from_bytes(content[:2], "big")
            tree.append_entry(content[2 : 2 + length])
            content = content[2 + length :]
    return tree


@pytest.mark.parametrize("form", [True, False])
def test_the_roots_at_every_size_are_the_peers(store, book, peer, form):
    sizes = [0, 1, 2, 255, 256, 257, 299, 300]
    found = Leaves(store.quickly, book.number, 300, [*sizes, 301], form).look()
    assert [] == found.wrongs
    assert {n: peer.get_root(n) if n else sha256(b"").digest() for n in sizes} == found.roots


@pytest.mark.parametrize("form", [True, False])
def test_a_sound_book_is_not_looked_through_entry_by_entry(store, book, told, form, monkeypatch):
    monkeypatch.delattr(Leaves, "_one_by_one")
    monkeypatch.delattr(Order, "_read_one")
    assert [] == Leaves(store.quickly, book.number, 300, form=form).look().wrongs


def test_a_paper_that_remembers_the_whole_book_leaves_nothing_open(client, store, book, peer, tmp_path):
    paper = tmp_path / "paper"
    paper.write_bytes(client.get("/v1/log/checkpoint").data)
    store.close()
    answer = run(store.settings.data, "--against", paper)
    assert (0, {}) == (answer.exit_code, json.loads(answer.output)["books"][0]["needs_outside_memory"])
    paper.write_text(
        json.dumps({"release": "R", "book": {"index": 260, "size": 260, "root": peer.get_root(260).hex()}})
    )
    answer = run(store.settings.data, "--against", paper)
    open_ = json.loads(answer.output)["books"][0]["needs_outside_memory"]
    assert (0, EVERY_WAY) == (answer.exit_code, list(open_))
    assert all("from 260 on" in words for words in open_.values())


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "no certificate and no checkpoint"),
        ("nonsense", "no certificate and no checkpoint"),
        ("{}", "a certificate has"),
        ('{"book": 7}', "no certificate"),
        ('{"book": {"size": -1, "root": ""}}', "no certificate"),
        ("{" * 100_000, "no certificate"),
        ("a\n1\nb\n\n— a bad\n", "badly signed"),
    ],
    ids=range(7),
)
def test_what_is_no_paper_is_said_in_words(store, book, told, tmp_path, text, words):
    store.close()
    (tmp_path / "paper").write_text(text)
    answer = run(store.settings.data, "--against", tmp_path / "paper")
    assert (1, True) == (answer.exit_code, words in answer.stderr), answer.stderr


def test_a_text_says_its_place_whatever_stands_in_it(tell):
    """Members of clients that look like the book's, nested and inside text."""
    tell(make.sheet_issued(), make.registered())
    words = '","subject":"unit:X","seq":7,"index":9,"recorded_at":"x'
    device = {"id": "d-1", "seq": 5}
    data = {"slot": "a", "finding": "F-1", "words": words, "blocking": True}
    (entry,) = tell(
        make.entry("finding.raised", data, site="north", device=device, source={"kind": "paper", "ref": words})
    )
    text = orjson.dumps(
        {k: v for k, v in entry.items() if k not in ("leaf", "discrepancies", "warnings")}, option=orjson.OPT_SORT_KEYS
    )
    assert (b"2", entry["recorded_at"].encode(), b"1", b"unit:U-1") == stated([text])[0]
    with pytest.raises(ValueError):
        stated([b'{"index":1}'])


def test_a_tile_s_root_is_that_of_its_leaves_one_by_one():
    leaves = [sha256(bytes([n])).digest() for n in range(256)]
    edge = Frontier()
    for leaf in leaves:
        edge.push(leaf)
    assert edge.root() == tile_root(leaves)
    high = Frontier()
    high.push(tile_root(leaves), 8)
    assert (edge.size, edge.hashes) == (high.size, high.hashes)
