"""The bundle of a unit (CONTRACT C), proved by the peer's hashing and by hand; and what of it a customer is given."""

import json
from base64 import b64decode
from hashlib import sha256

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
from fettlebook_audit.cli import main as audit
from pymerkle import InmemoryTree

from tests import factories as make
from tests import reading_papers as papers
from tests.conftest import client_with, new_book, token_of

ORIGIN = "test.example/depot"


def opened(note, key):
    """The text of a note that the key has signed, by hand."""
    name, _, rest = key.partition("+")
    public = b64decode(rest.partition("+")[2])
    body, _, line = note.partition("\n\n")
    mark, by, signature = line.rstrip("\n").split(" ")
    assert ("—", name) == (mark, by)
    Ed25519PublicKey.from_public_bytes(public[1:]).verify(b64decode(signature)[4:], f"{body}\n".encode())
    return body.split("\n")


def leaf_of(entry):
    return sha256(b"\0" + entry["hashed"].encode()).digest() if "hashed" in entry else bytes.fromhex(entry["leaf"])


@pytest.fixture
def told(tell):
    return tell(
        make.sheet_issued(),
        make.registered(more={"owner": "party-a"}),
        make.registered("U-2", more={"owner": "party-b"}),
        make.scanned(),
        make.dispatched(to="party-b"),
        *(make.scanned(unit="U-2") for _ in range(300)),
        make.scanned(),
    )


@pytest.fixture
def peer(client, told):
    """The peer's tree over the entries as the feed's index names them, taken from the bundles of tiles."""
    tree = InmemoryTree(algorithm="sha256")
    size = len(told)
    for path in ("000", f"001.p/{size - 256}"):
        content = client.get(f"/v1/log/tile/entries/{path}").data
        while content:
            length = int.from_bytes(content[:2], "big")
            tree.append_entry(content[2 : 2 + length])
            content = content[2 + length :]
    return tree


def test_a_bundle_holds_the_unit_s_entries_as_hashed_each_with_the_peer_s_proof(client, told, peer):
    answer = client.get("/v1/units/U-1/bundle")
    assert (200, "application/json", "no-cache") == (
        answer.status_code,
        answer.content_type,
        answer.headers["Cache-Control"],
    )
    found = answer.json
    assert ["origin", "unit", "checkpoint", "key", "head", "entries"] == list(found)
    assert (ORIGIN, "U-1") == (found["origin"], found["unit"])
    size = len(told)
    assert [1, 3, 4, size - 1] == [e["index"] for e in found["entries"]]
    for entry in found["entries"]:
        assert {"index", "hashed", "proof"} == entry.keys()
        proof = peer.prove_inclusion(entry["index"] + 1, size)
        assert [leaf_of(entry), *(bytes.fromhex(h) for h in entry["proof"])] == proof.path
        assert entry["index"] == json.loads(entry["hashed"])["index"]


def test_checkpoint_and_head_are_signed_by_the_key_and_say_the_same_size(client, told, peer):
    found = client.get("/v1/units/U-1/bundle").json
    size = len(told)
    origin, said, root = opened(found["checkpoint"], found["key"])
    assert (ORIGIN, str(size), peer.get_root(size)) == (origin, said, b64decode(root))
    head = opened(found["head"], found["key"])
    assert ["fettlebook.unit-head/v1", ORIGIN, "U-1", str(size), "3", "-"] == head


def test_the_head_names_the_entries_of_others_that_touch_the_unit(client, tell, standing_unit):
    """A reading on U-1 by gauge G-1 stands on U-1's page, and touches the gauge."""
    (taken,) = tell(make.reading("0.20", gauge=make.GAUGE))
    found = client.get(f"/v1/units/{make.GAUGE}/bundle").json
    head = opened(found["head"], found["key"])
    assert str(taken["index"]) in head[-1].split(" ")
    (entry,) = (e for e in found["entries"] if e["index"] == taken["index"])
    assert "unit:U-1" == json.loads(entry["hashed"])["subject"]


def test_what_a_customer_does_not_see_or_names_another_party_travels_sealed(client, client_of, told):
    """U-1 is party-a's and was dispatched to party-b: its text names party-b."""
    whole = {e["index"]: e for e in client.get("/v1/units/U-1/bundle").json["entries"]}
    found = client_of("customer", party="party-a").get("/v1/units/U-1/bundle")
    assert 200 == found.status_code
    assert "party-b" not in found.text
    entries = {e["index"]: e for e in found.json["entries"]}
    assert entries.keys() == whole.keys()
    assert {"index", "leaf", "proof"} == entries[4].keys()
    assert [leaf_of(e) for e in whole.values()] == [leaf_of(e) for e in entries.values()]
    assert [1, 3] == [i for i, e in entries.items() if "hashed" in e][:2]
    assert 404 == client_of("customer", party="party-s").get("/v1/units/U-1/bundle").status_code


def test_the_same_bundle_again_is_not_modified_and_a_longer_book_gives_another(client, tell, told):
    first = client.get("/v1/units/U-1/bundle")
    again = client.get("/v1/units/U-1/bundle", headers={"If-None-Match": first.headers["ETag"]})
    assert (304, b"") == (again.status_code, again.data)
    tell(make.scanned(unit="U-2"))
    assert 200 == client.get("/v1/units/U-1/bundle", headers={"If-None-Match": first.headers["ETag"]}).status_code


def test_a_unit_that_is_not_there_has_no_bundle(client, told):
    answer = client.get("/v1/units/U-9/bundle")
    assert (404, True) == (answer.status_code, answer.json["type"].endswith("/unknown-unit"))
    assert ["U-1", "U-2"] == sorted(answer.json["near"])[:2]


def test_a_unit_from_another_depot_brings_its_bundle_along(client, store, told, tmp_path, app):
    """The auditor checks both books from two files: the new registration names the digest of the old bundle."""
    earlier = client.get("/v1/units/U-1/bundle").data
    digest = sha256(earlier).hexdigest()
    other = new_book(store, "buyer.example/depot")
    buyer = client_with(app, token_of(store, other, "admin"))
    entry = make.registered("B-7", more={"origin": "used", "earlier": digest})
    assert 201 == buyer.post("/v1/entries", json=entry).status_code
    assert digest == buyer.get("/v1/units/B-7").json["earlier"]
    printed = "".join(papers.text(buyer.get("/v1/units/B-7/dossier.pdf").data).split())
    assert digest in printed
    kept = buyer.put(f"/v1/attachments/{digest}", data=earlier, content_type="application/json")
    assert 201 == kept.status_code
    files = [tmp_path / name for name in ("new.json", "old.json")]
    answers = [buyer.get("/v1/units/B-7/bundle"), buyer.get(f"/v1/attachments/{digest}", buffered=True)]
    for file, answer in zip(files, answers, strict=True):
        file.write_bytes(answer.data)
    keys = [word for answer in (answers[0].json, json.loads(earlier)) for word in ("--key", answer["key"])]
    assert 0 == audit(["bundle", str(files[0]), "--earlier", str(files[1]), *keys])
    files[1].write_bytes(earlier.replace(b"U-1", b"U-9"))
    assert 1 == audit(["bundle", str(files[0]), "--earlier", str(files[1]), *keys])


def test_the_pages_that_were_merged_into_a_unit_come_with_its_bundle(client, tell, told, tmp_path):
    data = {"into": "U-1", "why": "one iron", "evidence": ["engraving"]}
    (merged,) = tell(make.entry("unit.merged", data, by=make.SECOND, subject="unit:U-2"))
    found = client.get("/v1/units/U-1/bundle").json
    others = opened(found["head"], found["key"])[-1].split(" ")
    assert (302, str(merged["index"])) == (len(others), others[-1])
    (tmp_path / "bundle.json").write_text(json.dumps(found))
    assert 0 == audit(["bundle", str(tmp_path / "bundle.json"), "--key", found["key"]])
