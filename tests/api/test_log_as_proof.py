"""The log as proof over HTTP (DESIGN sections 7 and 9): checked by the peer's own hashing, not by ours."""

import json
from base64 import b64decode
from dataclasses import replace
from hashlib import sha256

import pytest
from click.testing import CliRunner
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
from pymerkle import InmemoryTree
from sqlalchemy import text

from service_api import cli
from tests import factories as make
from tests.conftest import client_with, new_book, token_of

ENTRIES = 600  # three leaf tiles, the last one of 88


def key_of(store):
    """The public key in force, read off `key list` by hand: 32 bytes behind the algorithm's."""
    answer = CliRunner().invoke(cli.main, ["--data", str(store.settings.data), "--json", "key", "list"])
    assert answer.exit_code == 0, answer.output
    in_force = [row["key"] for row in json.loads(answer.output)["keys"] if row["in_force"]]
    name, key_id, key = in_force[0].split("+", 2)
    assert key_id == sha256(name.encode() + b"\n" + b64decode(key)).hexdigest()[:8]
    return b64decode(key)[1:], bytes.fromhex(key_id)


def read(note, public, key_id):
    """(origin, size, root) of a note whose one signature holds."""
    body, _, line = note.partition("\n\n")
    mark, name, signature = line.rstrip("\n").split(" ")
    assert ("—", key_id) == (mark, b64decode(signature)[:4])
    Ed25519PublicKey.from_public_bytes(public).verify(b64decode(signature)[4:], f"{body}\n".encode())
    origin, size, root = body.split("\n")
    assert name == origin
    return origin, int(size), b64decode(root)


@pytest.fixture
def told(tell):
    """A book of so many entries."""
    tell(make.sheet_issued(), make.registered())
    for _ in range(2, ENTRIES, 299):
        tell(*(make.scanned() for _ in range(299)))


def bundle(content):
    found = []
    while content:
        length = int.from_bytes(content[:2], "big")
        found.append(content[2 : 2 + length])
        content = content[2 + length :]
    return found


@pytest.fixture
def texts(client, told):
    paths = ("000", "001", "002.p/88")
    return [t for path in paths for t in bundle(client.get(f"/v1/log/tile/entries/{path}").data)]


@pytest.fixture
def peer(texts):
    tree = InmemoryTree(algorithm="sha256")
    for hashed in texts:
        tree.append_entry(hashed)
    return tree


def test_the_checkpoint_is_the_root_over_the_bundles(client, store, book, peer):
    answer = client.get("/v1/log/checkpoint")
    assert (200, "text/plain; charset=utf-8", "no-cache") == (
        answer.status_code,
        answer.content_type,
        answer.headers["Cache-Control"],
    )
    found = read(answer.text, *key_of(store))
    assert (book.origin, ENTRIES, peer.get_root(ENTRIES)) == found


def test_the_checkpoint_covers_every_acknowledged_entry(client, store, tell, peer):
    tell(make.scanned())
    peer.append_entry(bundle(client.get("/v1/log/tile/entries/002.p/89").data)[-1])
    _, size, root = read(client.get("/v1/log/checkpoint").text, *key_of(store))
    assert (ENTRIES + 1, peer.get_root(ENTRIES + 1)) == (size, root)


def test_bundles_hold_the_entries_in_their_order(texts):
    assert list(range(ENTRIES)) == [json.loads(t)["index"] for t in texts]


def test_hash_tiles_hold_the_peers_hashes(client, peer, texts):
    leaves = [sha256(b"\0" + hashed).digest() for hashed in texts]
    assert b"".join(leaves[256:512]) == client.get("/v1/log/tile/0/001").data
    assert b"".join(leaves[512:]) == client.get("/v1/log/tile/0/002.p/88").data
    above = client.get("/v1/log/tile/1/000.p/2").data
    assert peer.get_root(256) == above[:32]
    other = InmemoryTree(algorithm="sha256")
    for hashed in texts[256:512]:
        other.append_entry(hashed)
    assert other.get_root(256) == above[32:]


def test_a_tile_stays_as_it_was_and_may_be_kept_for_ever(client, tell, told):
    paths = ("0/000", "0/002.p/7", "entries/002.p/7", "1/000.p/1")
    before = {path: client.get(f"/v1/log/tile/{path}") for path in paths}
    tell(make.scanned())
    for path, then in before.items():
        now = client.get(f"/v1/log/tile/{path}")
        assert (200, then.data) == (now.status_code, now.data), path
        assert "private, max-age=31536000, immutable" == now.headers["Cache-Control"]
        assert "application/octet-stream" == now.content_type


@pytest.mark.parametrize(
    "path",
    [
        *("0/003", "0/002", "0/002.p/89", "1/000", "1/000.p/3", "2/000.p/1", "entries/002", "entries/003"),
        *(
            "0/2",
            "00/000",
            "64/000",
            "x/000",
            "entries/0",
            "entries/000.p/256",
            "0/000.p/0",
            "0/../checkpoint",
            "0/a b",
        ),
        "0/" + "x999/" * 4 + "999",
    ],
)
def test_a_tile_that_is_not_there_is_not_found(client, told, path):
    answer = client.get(f"/v1/log/tile/{path}")
    assert (404, "application/problem+json") == (answer.status_code, answer.content_type)


@pytest.mark.parametrize("path", ["checkpoint", "tile/0/000", "tile/1/000.p/2", "tile/entries/002.p/88"])
def test_a_book_named_by_its_origin_is_the_tokens_book(client, told, book, path):
    """DESIGN 7: `/v1/log/…` is the same for the token's book."""
    named = client.get(f"/v1/books/{book.origin}/log/{path}")
    kept = {name: text for name, text in named.headers if name != "Date"}
    same = client.get(f"/v1/log/{path}")
    assert (200, same.data, {n: t for n, t in same.headers if n != "Date"}) == (named.status_code, named.data, kept)
    assert named.data == client.get(f"/v1/books/{book.origin.replace('/', '%2F')}/log/{path}").data


@pytest.mark.parametrize("path", ["checkpoint", "tile/0/000", "tile/entries/002.p/88"])
def test_anothers_book_reads_like_one_that_is_not_there(client, store, told, path):
    other = new_book(store, "other.example/depot")
    theirs = client.get(f"/v1/books/{other.origin}/log/{path}")
    nothing = client.get(f"/v1/books/never.example/depot/log/{path}")
    assert (404, nothing.data.replace(b"never.", b"other.")) == (theirs.status_code, theirs.data)


# Public by a setting (DESIGN 7)

HASHES = ("checkpoint", "tile/0/000", "tile/1/000.p/2")
PROOFS = ("proof/inclusion?index=3", "proof/consistency?from=3")
BUNDLES = ("tile/entries/002.p/88",)


def opened(store, setting):
    store.settings = replace(store.settings, public_log=setting)


@pytest.mark.parametrize(
    ("setting", "open_", "shut"),
    [
        ("no", (), (*HASHES, *PROOFS, *BUNDLES)),
        ("hashes", (*HASHES, *PROOFS), BUNDLES),
        ("entries", (*HASHES, *PROOFS, *BUNDLES), ()),
    ],
)
def test_what_the_setting_opens_anybody_may_read(client, store, book, told, setting, open_, shut):
    before = {path: client.get(f"/v1/log/{path}").data for path in open_}
    opened(store, setting)
    for stranger in (client.application.test_client(), client_with(client.application, "no-such-token")):
        for path in open_:
            answer = stranger.get(f"/v1/log/{path}")
            assert (200, before[path]) == (answer.status_code, answer.data)
            assert "private" not in answer.headers.get("Cache-Control", "")
            if not path.startswith("proof"):
                assert before[path] == stranger.get(f"/v1/books/{book.origin}/log/{path}").data
        assert [401] * len(shut) == [stranger.get(f"/v1/log/{path}").status_code for path in shut]
        assert 401 == stranger.post("/v1/log/cosignatures", data=b"x").status_code
        assert {401} == {stranger.get(path).status_code for path in ("/v1/feed", "/v1/entries", "/v1/nowhere")}


def test_a_public_book_is_told_apart_from_one_that_is_not_there_by_nobody_else(client, store, book, told):
    """With a second book `/v1/log` names none; a token of a role that reads no tiles reads what anybody reads."""
    opened(store, "hashes")
    new_book(store, "other.example/depot")
    stranger = client.application.test_client()
    assert 401 == stranger.get("/v1/log/checkpoint").status_code
    assert 401 == stranger.get("/v1/books/never.example/depot/log/checkpoint").status_code
    named = f"/v1/books/{book.origin}/log/tile/0/000"
    erp = client_with(client.application, token_of(store, book, "erp"))
    assert [200, 200] == [who.get(named).status_code for who in (stranger, erp)]
    opened(store, "no")
    assert [401, 403] == [who.get(named).status_code for who in (stranger, erp)]


@pytest.mark.parametrize(("index", "size"), [(0, 1), (0, 600), (599, 600), (300, 512), (511, 513), (256, 257)])
def test_an_inclusion_proof_is_the_peers(client, peer, index, size):
    answer = client.get(f"/v1/log/proof/inclusion?index={index}&size={size}").json
    assert [h.hex() for h in peer.prove_inclusion(index + 1, size).path[1:]] == answer["hashes"]


def test_a_proof_without_a_size_is_of_the_book_as_it_is(client, told):
    whole = client.get("/v1/log/proof/inclusion?index=7").json
    assert {"index": 7, "size": ENTRIES} == {k: whole[k] for k in ("index", "size")}
    assert whole == client.get(f"/v1/log/proof/inclusion?index=7&size={ENTRIES}").json
    grown = client.get("/v1/log/proof/consistency?from=7").json
    assert grown == client.get(f"/v1/log/proof/consistency?from=7&to={ENTRIES}").json


def test_a_consistency_proof_leads_from_one_checkpoint_to_the_next(client, peer):
    """By hand, RFC 9162, 2.1.4.2, from 512, a complete subtree: the proof is what lies right of it."""
    (right,) = client.get("/v1/log/proof/consistency?from=512&to=600").json["hashes"]
    assert peer.get_root(600) == sha256(b"\1" + peer.get_root(512) + bytes.fromhex(right)).digest()
    assert [] == client.get("/v1/log/proof/consistency?from=600&to=600").json["hashes"]


@pytest.mark.parametrize(
    ("query", "pointer"),
    [
        ("inclusion", "?index"),
        ("inclusion?index=600", "?index"),
        ("inclusion?index=5&size=5", "?index"),
        ("inclusion?index=5&size=601", "?size"),
        ("inclusion?index=-1", "?index"),
        ("inclusion?index=1&index=2", "?index"),
        ("inclusion?index=1&leaf=2", "?leaf"),
        ("consistency", "?from"),
        ("consistency?from=0", "?from"),
        ("consistency?from=6&to=5", "?from"),
        ("consistency?from=1&to=601", "?to"),
        ("consistency?from=9" + "9" * 40, "?from"),
    ],
)
def test_a_proof_of_what_is_not_there_is_a_bad_query(client, told, query, pointer):
    answer = client.get(f"/v1/log/proof/{query}")
    assert (422, [(pointer, "bad-query")]) == (
        answer.status_code,
        [(e["pointer"], e["code"]) for e in answer.json["errors"]],
    )


def test_an_empty_book_has_a_checkpoint_and_no_tiles(client, store, book):
    found = read(client.get("/v1/log/checkpoint").text, *key_of(store))
    assert (book.origin, 0, sha256(b"").digest()) == found
    assert 404 == client.get("/v1/log/tile/0/000.p/1").status_code


def test_a_rotated_key_signs_the_same_head_at_once(client, store, book, told):
    first = client.get("/v1/log/checkpoint").text
    assert first == client.get("/v1/log/checkpoint").text
    old = key_of(store)
    store.keys(book).rotate("2026-02-01T00:00:00.000Z")
    second = client.get("/v1/log/checkpoint").text
    assert first != second
    assert read(first, *old) == read(second, *key_of(store))


def test_a_key_that_others_may_read_signs_nothing(client, store, book):
    client.get("/v1/log/checkpoint")
    store.keys(book).secret.chmod(0o644)
    answer = client.get("/v1/log/checkpoint")
    assert (404, True) == (answer.status_code, "key list" in answer.json["detail"])
    told = CliRunner().invoke(cli.main, ["--data", str(store.settings.data), "key", "list"])
    assert (1, True) == (told.exit_code, "may be read by others" in told.stderr)


def test_where_several_serve_a_store_nobody_makes_a_key_unasked(client, store, book):
    store.proofs(book.number).makes_key = False
    answer = client.get("/v1/log/checkpoint")
    assert (404, True) == (answer.status_code, "fettlebook key new" in answer.json["detail"])
    assert not store.settings.keys.exists()


def test_a_head_that_contradicts_its_own_edge_is_not_signed(client, store, told):
    with store.writing.begin() as connection:
        connection.execute(text("UPDATE log_head SET root = :root"), {"root": b"\0" * 32})
    assert 500 == client.get("/v1/log/checkpoint").status_code


def test_the_commands_make_list_and_rotate(store, book):
    def run(*words):
        return CliRunner().invoke(cli.main, ["--data", str(store.settings.data), "--json", "key", *words])

    store.close()
    assert [] == json.loads(run("list").output)["keys"]
    assert 1 == run("rotate").exit_code
    made = json.loads(run("new").output)
    assert made["key"].startswith(f"{book.origin}+")
    assert 1 == run("new").exit_code
    rotated = json.loads(run("rotate").output)
    assert [(made["key"], False), (rotated["key"], True)] == [
        (row["key"], row["in_force"]) for row in json.loads(run("list").output)["keys"]
    ]
