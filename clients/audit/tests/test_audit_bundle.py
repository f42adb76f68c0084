"""What `fettlebook-audit bundle` says of a unit's bundle, true and altered. The bundle is made here by hand."""

import copy
import json
from base64 import b64encode
from hashlib import sha256

import pytest
from by_hand import KEY, ORIGIN, SIZE, TRUE, entry, note_of, signed, tree_of
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from fettlebook_audit.cli import main

OTHER = 51  # an entry on the page of U-2 that touches U-1
INDEXES = [*range(0, SIZE, 2), OTHER]
LAST = SIZE // 2 - 1


def head(unit="U-1", size=SIZE, seq=LAST, others=str(OTHER), kind="fettlebook.unit-head/v1"):
    return signed(f"{kind}\n{ORIGIN}\n{unit}\n{size}\n{seq}\n{others}\n")


def made(texts=TRUE, indexes=INDEXES, sealed=(), **more):
    tree = tree_of(texts)
    lines = []
    for index in sorted(indexes):
        leaf, *proof = tree.prove_inclusion(index + 1, len(texts)).path
        said = {"leaf": leaf.hex()} if index in sealed else {"hashed": texts[index].decode()}
        lines.append({"index": index, **said, "proof": [each.hex() for each in proof]})
    found = {"origin": ORIGIN, "unit": "U-1", "checkpoint": note_of(texts).decode(), "key": KEY, "head": head()}
    return found | {"entries": lines} | more


WHOLE = made()


@pytest.fixture
def faults(tmp_path, capsys):
    def run(bundle, *more):
        file = tmp_path / "bundle.json"
        file.write_text(bundle if isinstance(bundle, str) else json.dumps(bundle))
        status = main(["bundle", str(file), "--key", KEY, "--json", *more])
        said = json.loads(capsys.readouterr().out)
        assert status == (1 if said["faults"] else 0)
        return [(f["how"], f["first"], f["last"]) for f in said["faults"]]

    return run


@pytest.fixture
def bundle():
    return copy.deepcopy(WHOLE)


def test_a_true_bundle_proves_itself(faults, bundle, tmp_path, capsys):
    assert [] == faults(bundle)
    assert 0 == main(["bundle", str(tmp_path / "bundle.json")])
    said = capsys.readouterr().out
    assert "U-1 of audit.example/book: 151 entries, no faults" in said
    assert "came along in the bundle" in said


def test_entries_without_their_text_count_where_they_stand(faults):
    assert [] == faults(made(sealed={4, 6, 100, OTHER}))


@pytest.mark.parametrize("at", [0, 75, 150])
def test_one_changed_byte_of_a_text_is_found_and_located(faults, bundle, at):
    bundle["entries"][at]["hashed"] = bundle["entries"][at]["hashed"].replace('"n": ', '"n":  ')
    index = bundle["entries"][at]["index"]
    assert [("edited", index, index)] == faults(bundle)


def test_a_leaf_in_another_s_place_is_found(faults):
    bundle = made(sealed={4, 6})
    bundle["entries"][2]["leaf"] = bundle["entries"][3]["leaf"]
    assert [("edited", 4, 4)] == faults(bundle)


@pytest.mark.parametrize(
    ("out", "where"), [(0, (0, 2)), (4, (2, 6)), (298, (296, 300)), (OTHER, (OTHER, OTHER))], ids=str
)
def test_an_entry_left_out_is_missing_between_its_neighbours(faults, bundle, out, where):
    bundle["entries"] = [e for e in bundle["entries"] if e["index"] != out]
    assert [("missing", *where)] == faults(bundle)


def test_a_sealed_entry_left_out_is_missing_too(faults):
    bundle = made(sealed={4, 6, 8})
    bundle["entries"] = [e for e in bundle["entries"] if e["index"] != 6]
    assert [("missing", 2, 10)] == faults(bundle)


def test_an_entry_of_another_page_that_the_head_does_not_name_is_inserted(faults):
    assert [("inserted", 53, 53)] == faults(made(indexes=[*INDEXES, 53]))
    assert [("inserted", 52, 54)] == faults(made(indexes=[*INDEXES, 53], sealed={53}))


def test_two_swapped_entries_are_reordered(faults, bundle):
    lines = bundle["entries"]
    lines[3], lines[4] = lines[4], lines[3]
    assert ("reordered", 6, 6) in faults(bundle)


def test_an_entry_that_stands_elsewhere_than_it_says_is_reordered(faults):
    texts = [*TRUE[:10], entry(10, index=12), *TRUE[11:]]
    assert [("reordered", 10, 10)] == faults(made(texts))


def test_a_proof_for_another_size_is_told(faults, bundle):
    tree = tree_of(TRUE)
    bundle["entries"][5]["proof"] = [h.hex() for h in tree.prove_inclusion(11, SIZE - 100).path[1:]]
    assert [("edited", 10, 10)] == faults(bundle)
    bundle["entries"][5]["proof"] = []
    assert [("edited", 10, 10)] == faults(bundle)


@pytest.mark.parametrize(
    "more",
    [
        {"checkpoint": note_of(TRUE, Ed25519PrivateKey.generate()).decode()},
        {"checkpoint": note_of(TRUE, origin="other.example/book").decode()},
        {"checkpoint": note_of(TRUE).decode()[:-9]},
        {"head": head(unit="U-2")},
        {"head": head(size=SIZE - 1)},
        {"head": head(kind="another")},
        {"head": head(others="x")},
        {"head": note_of(TRUE).decode()},
        {"head": head().replace("\n149\n", "\n148\n")},
        {"origin": "other.example/book"},
        {"unit": "U-2"},
    ],
    ids=range(11),
)
def test_what_the_key_has_not_signed_of_this_unit_is_badly_signed(tmp_path, capsys, bundle, more):
    file = tmp_path / "bundle.json"
    file.write_text(json.dumps(bundle | more))
    assert 1 == main(["bundle", str(file), "--key", KEY])
    assert "fettlebook-audit: badly signed:" in capsys.readouterr().err


def test_another_key_than_the_book_s_is_badly_signed(tmp_path, capsys, bundle):
    (tmp_path / "bundle.json").write_text(json.dumps(bundle))
    public = b"\1" + Ed25519PrivateKey.generate().public_key().public_bytes_raw()
    key_id = sha256(ORIGIN.encode() + b"\n" + public).hexdigest()[:8]
    other = f"{ORIGIN}+{key_id}+{b64encode(public).decode()}"
    assert 1 == main(["bundle", str(tmp_path / "bundle.json"), "--key", other])
    assert "badly signed: no key that is known here" in capsys.readouterr().err


@pytest.mark.parametrize(
    "content",
    [
        "",
        "[]",
        "{}",
        "nonsense",
        "\0" * 1000,
        json.dumps(WHOLE)[:-500],
        json.dumps(WHOLE | {"entries": {}}),
        json.dumps(WHOLE | {"entries": [7]}),
        json.dumps(WHOLE | {"entries": [{"index": "0", "hashed": "", "proof": []}]}),
        json.dumps(WHOLE | {"entries": [{"index": 0, "hashed": 7, "proof": []}]}),
        json.dumps(WHOLE | {"entries": [{"index": 0, "leaf": "00", "proof": ["zz"]}]}),
        json.dumps(WHOLE | {"key": None}),
        '{"a":' * 100_000,
    ],
    ids=range(13),
)
def test_what_is_no_bundle_is_said_in_words(tmp_path, capsys, content):
    (tmp_path / "bundle.json").write_text(content)
    assert 1 == main(["bundle", str(tmp_path / "bundle.json"), "--key", KEY])
    said = capsys.readouterr()
    assert "fettlebook-audit: damaged:" in said.err
    assert "Traceback" not in said.err


def test_text_that_is_no_entry_is_edited(faults):
    texts = [*TRUE[:10], b"[1]", *TRUE[11:]]
    assert ("edited", 10, 10) in faults(made(texts))


# A unit that came from another depot


def test_the_earlier_book_that_a_unit_brought_along_is_checked_with_it(faults, tmp_path):
    earlier = tmp_path / "earlier.json"
    earlier.write_text(json.dumps(WHOLE))
    digest = sha256(earlier.read_bytes()).hexdigest()
    texts = [entry(0, type="unit.registered", data={"earlier": digest}), *TRUE[1:]]
    bundle = made(texts)
    assert [] == faults(bundle, "--earlier", str(earlier))
    earlier.write_text(json.dumps(WHOLE) + " ")
    assert [("edited", None, None)] == faults(bundle, "--earlier", str(earlier))
    assert [("inserted", None, None)] == faults(WHOLE, "--earlier", str(earlier))


def test_what_is_wrong_in_the_earlier_book_is_told(faults, tmp_path, bundle):
    earlier = tmp_path / "earlier.json"
    bundle["entries"] = bundle["entries"][1:]
    earlier.write_text(json.dumps(bundle))
    digest = sha256(earlier.read_bytes()).hexdigest()
    texts = [entry(0, type="unit.registered", data={"earlier": digest}), *TRUE[1:]]
    assert [("missing", 0, 2)] == faults(made(texts), "--earlier", str(earlier))


# Attachments


def test_attachments_are_held_against_the_digests_that_entries_name(faults, tmp_path):
    photo = b"a photo"
    digest = sha256(photo).hexdigest()
    texts = [*TRUE[:10], entry(10, attachments=[{"sha256": digest}]), *TRUE[11:]]
    bundle = made(texts)
    folder = tmp_path / "attachments"
    folder.mkdir()
    assert [("missing", 10, 10)] == faults(bundle, "--attachments", str(folder))
    (folder / digest).write_bytes(photo)
    assert [] == faults(bundle, "--attachments", str(folder))
    (folder / digest).write_bytes(b"another")
    assert [("edited", 10, 10)] == faults(bundle, "--attachments", str(folder))
