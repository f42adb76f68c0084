"""What `fettlebook-audit` says of a book that was altered. The book is made here by hand: its tree is pymerkle's."""

import json
import shutil
from base64 import b64encode
from hashlib import sha256
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from pymerkle import InmemoryTree

from fettlebook_audit.cli import main

ORIGIN = "audit.example/book"
SECRET = Ed25519PrivateKey.from_private_bytes(bytes(range(32)))
PUBLIC = b"\x01" + SECRET.public_key().public_bytes_raw()
KEY_ID = sha256(ORIGIN.encode() + b"\n" + PUBLIC).digest()[:4]
KEY = f"{ORIGIN}+{KEY_ID.hex()}+{b64encode(PUBLIC).decode()}"
SIZE, EARLIER = 300, 100


def entry(index, **more):
    page, seq = ("unit:U-1", index // 2) if index % 2 == 0 else ("unit:U-2", index // 2)
    moment = f"2026-01-05T12:{index // 60:02}:{index % 60:02}.000Z"
    said = {"index": index, "subject": page, "seq": seq, "recorded_at": moment, "data": {"n": index}} | more
    return json.dumps(said).encode()


def root_of(texts):
    tree = InmemoryTree(algorithm="sha256")
    for text in texts:
        tree.append_entry(text)
    return tree.get_root(len(texts))


def note_of(texts, secret=SECRET, origin=ORIGIN, key_id=KEY_ID):
    body = f"{origin}\n{len(texts)}\n{b64encode(root_of(texts)).decode()}\n"
    line = b64encode(key_id + secret.sign(body.encode())).decode()
    return f"{body}\n— {origin} {line}\n".encode()


def tiles_of(folder: Path, texts, hashed=None):
    """Entry bundles of these texts and hash tiles of what they were hashed from."""
    hashed = hashed or texts
    for kind, size_of in (("entries", texts), ("0", hashed)):
        for number, first in enumerate(range(0, len(size_of), 256)):
            part = size_of[first : first + 256]
            name = f"{number:03}" if len(part) == 256 else f"{number:03}.p/{len(part)}"
            path = folder / "tile" / kind / name
            path.parent.mkdir(parents=True, exist_ok=True)
            if kind == "entries":
                path.write_bytes(b"".join(len(t).to_bytes(2, "big") + t for t in part))
            else:
                path.write_bytes(b"".join(sha256(b"\0" + t).digest() for t in part))


def kept(folder: Path, *notes):
    folder.joinpath("checkpoints").mkdir(parents=True, exist_ok=True)
    (folder / "keys").write_text(KEY + "\n")
    for note in notes:
        size = int(note.split(b"\n")[1])
        (folder / "checkpoints" / f"{size:015}-{sha256(note).hexdigest()[:16]}").write_bytes(note)


TRUE = [entry(n) for n in range(SIZE)]


@pytest.fixture
def copy(tmp_path):
    """A copy in which nothing is wrong, with an earlier checkpoint beside the last."""
    kept(tmp_path, note_of(TRUE[:EARLIER]), note_of(TRUE))
    tiles_of(tmp_path, TRUE)
    return tmp_path


def faults(folder, capsys):
    status = main(["check", str(folder), "--json"])
    said = json.loads(capsys.readouterr().out)
    assert status == (1 if said["faults"] else 0)
    return [(f["how"], f["first"], f["last"]) for f in said["faults"]]


def test_a_true_copy_has_no_fault(copy, capsys):
    assert [] == faults(copy, capsys)
    assert 0 == main(["check", str(copy)])
    assert "300 entries, 2 checkpoints, no faults\n" == capsys.readouterr().out


@pytest.mark.parametrize("at", [0, 99, 100, 255, 256, 299])
def test_one_changed_byte_is_found_and_located(copy, capsys, at):
    altered = [t.replace(b'"n": ', b'"n":  ') if n == at else t for n, t in enumerate(TRUE)]
    tiles_of(copy, altered, hashed=TRUE)
    assert [("edited", at, at)] == faults(copy, capsys)


def test_a_changed_byte_under_a_tile_that_was_hashed_anew_is_found_between_two_checkpoints(copy, capsys):
    altered = [t.replace(b'"n": ', b'"n":  ') if n == 150 else t for n, t in enumerate(TRUE)]
    tiles_of(copy, altered)
    assert [("forked", EARLIER, SIZE - 1)] == faults(copy, capsys)


def test_a_fork_signed_anew_is_found_by_the_checkpoint_that_was_kept(copy, capsys):
    altered = [t.replace(b'"n": ', b'"n":  ') if n == 50 else t for n, t in enumerate(TRUE)]
    shutil.rmtree(copy / "checkpoints")
    kept(copy, note_of(TRUE[:EARLIER]), note_of(altered))
    tiles_of(copy, altered)
    assert [("forked", 0, EARLIER - 1)] == faults(copy, capsys)


def test_two_checkpoints_of_one_size_are_a_fork(copy, capsys):
    kept(copy, note_of([*TRUE[:-1], entry(SIZE - 1, data={})]))
    assert ["forked"] == [how for how, _, _ in faults(copy, capsys)]


def test_a_changed_hash_tile_alone_is_damaged(copy, capsys):
    tile = copy / "tile" / "0" / "000"
    content = bytearray(tile.read_bytes())
    content[32 * 120] ^= 1
    tile.write_bytes(content)
    assert [("damaged", 120, 120)] == faults(copy, capsys)


def signed_anew(folder, texts):
    """As whoever has the key would leave it, with no earlier checkpoint at hand."""
    shutil.rmtree(folder / "checkpoints")
    shutil.rmtree(folder / "tile")
    kept(folder, note_of(texts))
    tiles_of(folder, texts)


def test_two_swapped_entries_are_reordered(copy, capsys):
    swapped = [*TRUE[:10], TRUE[11], TRUE[10], *TRUE[12:]]
    signed_anew(copy, swapped)
    found = faults(copy, capsys)
    assert ("reordered", 10, 10) in found
    assert {10, 11} == {first for _, first, _ in found}


def test_an_entry_left_out_is_missing(copy, capsys):
    signed_anew(copy, [*TRUE[:20], *TRUE[21:]])
    assert ("missing", 20, 20) in faults(copy, capsys)


def test_an_entry_put_in_twice_is_inserted(copy, capsys):
    signed_anew(copy, [*TRUE[:20], TRUE[19], *TRUE[20:]])
    assert ("inserted", 20, 20) in faults(copy, capsys)


def test_an_entry_left_out_and_the_rest_numbered_anew_leaves_a_gap_on_its_page(copy, capsys):
    signed_anew(copy, [*TRUE[:20], *(entry(n, **seq_of(n + 1)) for n in range(20, SIZE - 1))])
    assert ("missing", 21, 21) in faults(copy, capsys)


def seq_of(index):
    said = json.loads(entry(index))
    return {name: said[name] for name in ("subject", "seq", "recorded_at", "data")}


def test_a_moment_before_the_last_is_reordered(copy, capsys):
    signed_anew(copy, [*TRUE[:20], entry(20, recorded_at="2025-01-01T00:00:00.000Z"), *TRUE[21:]])
    assert [("reordered", 20, 20)] == faults(copy, capsys)


def test_a_tail_cut_off_is_missing(copy, capsys):
    (copy / "tile" / "entries" / "001.p" / "44").unlink()
    assert [("missing", 256, 299)] == faults(copy, capsys)


@pytest.mark.parametrize("kind", ["0", "entries"])
@pytest.mark.parametrize("change", [lambda c: c[:-1], lambda c: c + b"\0", lambda c: b"", lambda c: b"\0" * 20_000_000])
def test_a_tile_of_another_form_is_damaged(copy, capsys, kind, change):
    tile = copy / "tile" / kind / "000"
    tile.write_bytes(change(tile.read_bytes()))
    assert [("damaged", 0, 255)] == faults(copy, capsys)


@pytest.mark.parametrize(
    "note",
    [
        note_of(TRUE, Ed25519PrivateKey.generate()),
        note_of(TRUE, origin="other.example/book"),
        note_of(TRUE)[:-20],
        note_of(TRUE, key_id=b"\0\0\0\0"),
        note_of(TRUE).replace(b"\n300\n", b"\n299\n"),
        b"\xff" * 100 + b"\n300\n",
    ],
)
def test_a_checkpoint_that_the_key_has_not_signed_is_badly_signed(copy, capsys, note):
    (copy / "checkpoints" / "000000000000300-x").write_bytes(note)
    assert [("badly signed", None, None)] == faults(copy, capsys)


def test_what_is_no_copy_is_said_in_words(tmp_path, capsys):
    assert 3 == main(["check", str(tmp_path)])
    assert "no copy of a book" in capsys.readouterr().err
    (tmp_path / "keys").write_text("nonsense\n")
    assert 3 == main(["check", str(tmp_path)])
