"""The auditor's tree, keys and notes against published values: RFC 6962/9162, C2SP, golang.org/x/mod, RFC 8032.

The values stand in tests/vectors/checks, each with its source; nothing here comes from the service.
"""

import json
from base64 import b64decode
from pathlib import Path

import pytest

from fettlebook_audit.notes import NoteError, open_note, read_key, read_stated, written_key
from fettlebook_audit.tree import BadProof, Edge, check_consistency, check_inclusion, leaf_hash

CHECKS = Path(__file__).parents[3] / "tests" / "vectors" / "checks"
CASES = [c for name in ("merkle", "signed_notes") for c in json.loads((CHECKS / f"{name}.json").read_text())["cases"]]


def of(*kinds):
    found = [c for c in CASES if c["kind"] in kinds]
    assert found
    return pytest.mark.parametrize("case", found, ids=lambda c: c["id"])


def expected(case, name):
    return case["expected"][name]["value"]


def leaves(case):
    said = case["inputs"]
    texts = [bytes.fromhex(t) for t in said.get("leaves_hex", [])]
    return texts or [said["leaf_format"].format(n).encode() for n in range(said["count"])]


def root(texts):
    edge = Edge()
    for text in texts:
        edge.push(leaf_hash(text))
    return edge.root()


def holds(check, *given):
    try:
        check(*given)
    except BadProof:
        return False
    return True


@of("merkle_roots")
def test_roots(case):
    texts = leaves(case)
    sizes = case["inputs"].get("sizes", range(len(texts) + 1))
    assert expected(case, "roots") == [root(texts[:size]).hex() for size in sizes]


@of("merkle_inclusion_proof")
def test_published_inclusion_proofs_hold(case):
    if "refused" in case["expected"]:
        assert not holds(check_inclusion, bytes(32), case["inputs"]["index"], case["inputs"]["size"], [], bytes(32))
        return
    index, size = case["inputs"]["index"], case["inputs"]["size"]
    leaf, proof = bytes.fromhex(expected(case, "leaf_hash")), [bytes.fromhex(h) for h in expected(case, "proof")]
    assert leaf == leaf_hash(leaves(case)[index])
    assert holds(check_inclusion, leaf, index, size, proof, bytes.fromhex(expected(case, "root")))


@of("merkle_consistency_proof")
def test_published_consistency_proofs_hold(case):
    old, new = case["inputs"]["size1"], case["inputs"]["size2"]
    if "refused" in case["expected"]:
        assert not holds(check_consistency, old, bytes(32), new, bytes(32), [])
        return
    roots = [bytes.fromhex(expected(case, name)) for name in ("root1", "root2")]
    proof = [bytes.fromhex(h) for h in expected(case, "proof")]
    assert holds(check_consistency, old, roots[0], new, roots[1], proof)


@of("merkle_verify")
def test_probes(case):
    found = []
    for probe in case["inputs"]["probes"]:
        proof = [b64decode(h) for h in probe["proof"] or ()]
        if "leafIdx" in probe:
            given = (b64decode(probe["leafHash"]), probe["leafIdx"], probe["treeSize"], proof, b64decode(probe["root"]))
            found.append(holds(check_inclusion, *given))
        else:
            old, new = b64decode(probe["root1"]), b64decode(probe["root2"])
            found.append(holds(check_consistency, probe["size1"], old, probe["size2"], new, proof))
    assert expected(case, "valid") == found


@of("note_open")
def test_notes(case):
    keys = [read_key(key) for key in case["inputs"]["vkeys"]]
    try:
        text, by = open_note(case["inputs"]["note"].encode(), keys)
    except NoteError:
        assert not expected(case, "opens")
        return
    assert expected(case, "opens")
    assert sorted(expected(case, "verified")) == sorted(key.name for key, _ in by)
    assert case["expected"].get("text", {"value": text})["value"] == text


@of("vkey_valid")
def test_keys(case):
    found = []
    for key in case["inputs"]["vkeys"]:
        try:
            found.append(written_key(read_key(key)) == key)
        except NoteError:
            found.append(False)
    assert expected(case, "valid") == found


@of("checkpoint_body")
def test_checkpoints(case):
    found = []
    for body in case["inputs"]["bodies"]:
        try:
            said = read_stated(body)
            found.append([said.origin, said.size, said.root.hex()])
        except NoteError:
            found.append(None)
    assert expected(case, "parsed") == found
