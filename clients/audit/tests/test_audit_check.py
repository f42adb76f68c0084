"""What `fettlebook-audit` says of a book that was altered. The book is made here by hand: its tree is pymerkle's."""

import json
import os
import shutil
import sqlite3
import subprocess
import sys
import tempfile
from contextlib import closing
from pathlib import Path

import pytest
from by_hand import EARLIER, KEY, ORIGIN, SIZE, TRUE, entry, kept, note_of, root_of, tiles_of
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from fettlebook_audit.cli import main


@pytest.fixture
def copy(tmp_path):
    """A copy in which nothing is wrong, with an earlier checkpoint beside the last."""
    kept(tmp_path, note_of(TRUE[:EARLIER]), note_of(TRUE))
    tiles_of(tmp_path, TRUE)
    return tmp_path


def faults(folder, capsys, *more):
    status = main(["check", str(folder), "--json", *map(str, more)])
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


def changed(folder, name, at):
    """One byte of a file, another."""
    file = folder / "tile" / name
    content = bytearray(file.read_bytes())
    content[at] ^= 4
    file.write_bytes(content)


@pytest.fixture(scope="module")
def long():
    return [entry(n) for n in range(13 * 256 + 40)]


@pytest.fixture
def once(long, tmp_path):
    """A longer copy with one checkpoint, in which nothing is wrong."""
    kept(tmp_path, note_of(long))
    tiles_of(tmp_path, long)
    return tmp_path


def edited(folder, long, *where):
    """The texts of these entries have a blank more than the hash tiles beside them were made from."""
    altered = [t.replace(b'"n": ', b'"n":  ') if n in where else t for n, t in enumerate(long)]
    tiles_of(folder, altered, hashed=long)


@pytest.mark.parametrize(
    ("texts", "hashes"),
    [
        ([800], [2314]),  # tiles 3 and 9
        ([2314], [800]),
        ([800, 801], [802]),  # one tile
        ([3 * 256], [13 * 256 + 5, 13 * 256 + 6]),  # the last tile, which is not full
        ([0, 600, 1200, 1800], [300, 900, 1500, 3367]),  # eight tiles
        ([*range(256, 266)], [700]),  # so many in one tile that it is taken as one
    ],
)
def test_faults_of_two_kinds_in_one_copy_are_each_located(once, long, capsys, texts, hashes):
    edited(once, long, *texts)
    for at in hashes:
        changed(once, f"0/{at // 256:03}" + (".p/40" if at >= 13 * 256 else ""), 32 * (at % 256))
    wanted = {("edited", at, at) for at in texts} | {("damaged", at, at) for at in hashes}
    found = faults(once, capsys)
    assert (len(wanted), wanted) == (len(found), set(found))


def test_where_no_choice_gives_the_only_root_nothing_is_forked(once, long, capsys):
    """There is no other checkpoint that this one could contradict."""
    tiles_of(once, [*long[:9], entry(9, data={}), *long[10:]])
    assert [("edited", 0, len(long) - 1)] == faults(once, capsys)


def test_more_places_than_are_tried_are_told_without_a_choice(once, long, capsys):
    edited(once, long, *range(0, 13 * 256, 256))
    changed(once, "0/013.p/40", 0)
    found = faults(once, capsys)
    assert [("edited", 0, len(long) - 1), *(("edited", at, at) for at in range(0, 14 * 256, 256))] == found


def test_a_paper_that_does_not_hold_hides_no_entry_that_is_edited(copy, capsys, paper):
    altered = [t.replace(b'"n": ', b'"n":  ') if n == 20 else t for n, t in enumerate(TRUE)]
    tiles_of(copy, altered, hashed=TRUE)
    other = paper(note_of([entry(0, data={}), *TRUE[1:60]]))
    assert [("forked", 0, 59), ("edited", 20, 20)] == faults(copy, capsys, "--against", other)


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


def test_a_reader_that_stops_ends_it_quietly(copy):
    """As `| head` does; 141 is what a shell tells of a tool that ended so."""
    reading, writing = os.pipe()
    os.close(reading)
    words = [sys.executable, "-m", "fettlebook_audit", "check", str(copy)]
    where = {"PYTHONPATH": str(Path(__file__).parents[1])}
    with os.fdopen(writing, "wb") as pipe:
        done = subprocess.run(words, stdout=pipe, stderr=subprocess.PIPE, env=where, check=False)
    assert (141, b"") == (done.returncode, done.stderr)


# What is checked again


def read(folder, capsys, *more):
    assert 0 == main(["check", str(folder), "--json", *more])
    return json.loads(capsys.readouterr().out)["read"]


def grown(folder, texts):
    kept(folder, note_of(texts))
    tiles_of(folder, texts)


def test_only_what_is_new_since_the_last_full_tile_is_read_again(copy, capsys):
    assert SIZE == read(copy, capsys)
    assert SIZE - 256 == read(copy, capsys)
    assert SIZE == read(copy, capsys, "--all")
    (copy / "tile" / "0" / "000").touch()  # what was touched is read again
    assert SIZE == read(copy, capsys)


def test_what_goes_on_is_held_against_what_was_checked(copy, capsys):
    more = [entry(n) for n in range(SIZE, 700)]
    read(copy, capsys)
    whole = [*TRUE, *more]
    kept(copy, note_of(whole))
    for number, part in ((1, whole[256:512]), (2, whole[512:])):
        part_of(copy, number, part)
    assert 700 - 256 == read(copy, capsys)
    assert 700 - 512 == read(copy, capsys)


def part_of(folder, number, texts):
    with tempfile.TemporaryDirectory() as other:
        tiles_of(Path(other), texts)
        for kind in ("0", "entries"):
            (made,) = (f for f in (Path(other) / "tile" / kind).rglob("*") if f.is_file())
            name = f"{number:03}" + (f".p/{len(texts)}" if len(texts) < 256 else "")
            target = folder / "tile" / kind / name
            target.parent.mkdir(parents=True, exist_ok=True)
            shutil.copy(made, target)


def test_numbers_of_pages_go_on_where_they_were(copy, capsys):
    """The first new entry of its page skips a number."""
    whole = [*TRUE, *(entry(n) for n in range(SIZE, 512))]
    kept(copy, note_of(whole))
    part_of(copy, 1, whole[256:])
    read(copy, capsys)
    more = [entry(512, seq=257), *(entry(n, seq=n // 2 + (n % 2 == 0)) for n in range(513, 520))]
    kept(copy, note_of([*whole, *more]))
    part_of(copy, 2, more)
    assert [("missing", 512, 512)] == faults(copy, capsys)


def test_what_was_wrong_is_not_remembered_as_right(copy, capsys):
    altered = [t.replace(b'"n": ', b'"n":  ') if n == 10 else t for n, t in enumerate(TRUE)]
    tiles_of(copy, altered, hashed=TRUE)
    for _ in range(2):
        assert [("edited", 10, 10)] == faults(copy, capsys)


def test_an_earlier_checkpoint_that_turns_up_is_held_against_what_was_checked(copy, capsys):
    """Both in the middle of a tile; one of them is of another book."""
    read(copy, capsys)
    kept(copy, note_of(TRUE[:37]))
    assert [] == faults(copy, capsys)
    kept(copy, note_of([entry(0, data={}), *TRUE[1:41]]))
    assert [("forked", 37, 40)] == faults(copy, capsys)


def test_a_check_s_memory_that_is_no_file_of_sqlite_is_made_anew(copy, capsys):
    read(copy, capsys)
    (copy / "verified").write_bytes(b"x" * 5000)
    assert SIZE == read(copy, capsys)
    assert SIZE - 256 == read(copy, capsys)


def test_a_check_goes_on_after_what_is_damaged_and_names_the_rest_too(tmp_path, capsys):
    whole = [entry(n) for n in range(700)]
    altered = [t.replace(b'"n": ', b'"n":  ') if n == 600 else t for n, t in enumerate(whole)]
    kept(tmp_path, note_of(whole))
    tiles_of(tmp_path, altered, hashed=whole)
    (tmp_path / "tile" / "entries" / "001").write_bytes(b"\0\5abc")
    assert [("damaged", 256, 511), ("edited", 600, 600)] == faults(tmp_path, capsys)


# Papers


def certificate(index=200, texts=TRUE, **more):
    book = {"index": index, "size": index, "root": root_of(texts[:index]).hex()} | more
    return {"release": "REL-1", "unit": "U-1", "book": book}


@pytest.fixture
def paper(tmp_path_factory):
    def write(value):
        file = tmp_path_factory.mktemp("paper") / "paper.json"
        file.write_bytes(value if isinstance(value, bytes) else json.dumps(value).encode())
        return file

    return write


@pytest.fixture
def certified(tmp_path):
    """A copy whose entry 200 is the release with its certificate."""
    texts = [
        *TRUE[:200],
        entry(200, type="unit.released", data={"release": "REL-1", "certificate": certificate()}),
        *TRUE[201:],
    ]
    kept(tmp_path, note_of(texts))
    tiles_of(tmp_path, texts)
    return tmp_path


@pytest.mark.parametrize("checked_before", [False, True])
def test_a_certificate_of_this_book_holds(certified, capsys, paper, checked_before):
    if checked_before:
        read(certified, capsys)
    assert [] == faults(certified, capsys, "--against", paper(certificate()))
    assert [] == faults(certified, capsys, "--against", paper({"release": "REL-1", "certificate": certificate()}))


@pytest.mark.parametrize("checked_before", [False, True])
def test_a_certificate_that_remembers_another_root_is_a_fork_before_it(certified, capsys, paper, checked_before):
    if checked_before:
        read(certified, capsys)
    other = certificate(texts=[entry(0, data={}), *TRUE[1:]])
    found = faults(certified, capsys, "--against", paper(other))
    assert ("forked", 0, 199) == found[0]


def test_a_certificate_whose_entry_says_something_else_is_told(certified, capsys, paper):
    assert [("edited", 200, 200)] == faults(certified, capsys, "--against", paper(certificate() | {"unit": "U-2"}))
    assert [("edited", 201, 201)] == faults(
        certified, capsys, "--against", paper(certificate(201, size=100, root=root_of(TRUE[:100]).hex()))
    )


@pytest.mark.parametrize("outer", [{"unit": "U-2"}, {"release": "REL-2"}, {"entry": "e201"}])
def test_an_answer_that_says_otherwise_than_its_certificate_or_entry_is_told(certified, capsys, paper, outer):
    answer = {"release": "REL-1", "unit": "U-1", "certificate": certificate()}
    assert [] == faults(certified, capsys, "--against", paper(answer))
    assert [("edited", 200, 200)] == faults(certified, capsys, "--against", paper(answer | outer))


def test_the_square_of_a_printed_certificate_is_a_paper_too(certified, capsys, paper):
    """It has the number and the place in the book, and nothing else of the certificate."""
    square = {name: certificate()[name] for name in ("release", "book")} | {"origin": "audit.example/book"}
    assert [] == faults(certified, capsys, "--against", paper(square))
    assert [("edited", 200, 200)] == faults(certified, capsys, "--against", paper(square | {"release": "REL-2"}))
    other = certificate(texts=[entry(0, data={}), *TRUE[1:]])["book"]
    assert ("forked", 0, 199) == faults(certified, capsys, "--against", paper(square | {"book": other}))[0]


def test_what_a_certificate_leaves_out_may_be_written_as_null(certified, capsys, paper):
    assert [] == faults(certified, capsys, "--against", paper(certificate() | {"second": None}))


def test_a_certificate_of_more_than_the_copy_has_is_rolled_back(certified, capsys, paper):
    later = [*TRUE, *(entry(n) for n in range(SIZE, 400))]
    found = faults(certified, capsys, "--against", paper(certificate(400, later)))
    assert [("rolled back", SIZE, 399)] == found


def test_a_kept_checkpoint_is_a_paper_too(copy, capsys, paper):
    assert [] == faults(copy, capsys, "--against", paper(note_of(TRUE[:77])))
    other = note_of([entry(0, data={}), *TRUE[1:77]])
    assert [("forked", 0, 76)] == faults(copy, capsys, "--against", paper(other))


@pytest.mark.parametrize(
    "content",
    [b"", b"nonsense", b"{}", b'{"book": {"index": 1, "size": 2, "root": ""}}', b"[]", b'{"book": 7}', b"{" * 100_000],
)
def test_what_is_no_paper_is_said_in_words(copy, capsys, paper, content):
    assert 1 == main(["check", str(copy), "--against", str(paper(content))])
    assert "damaged:" in capsys.readouterr().err
    assert 1 == main(["check", str(copy), "--against", str(paper(note_of(TRUE, Ed25519PrivateKey.generate())))])
    assert "badly signed:" in capsys.readouterr().err


# Bad input that is large


def test_two_gigabytes_of_zeros_are_no_checkpoint_no_tile_no_bundle_no_paper(copy, capsys, tmp_path_factory):
    zeros = tmp_path_factory.mktemp("zeros") / "zeros"
    with zeros.open("wb") as file:
        os.truncate(file.fileno(), 2 * 1024**3)
    assert 1 == main(["check", str(copy), "--against", str(zeros)])
    assert 1 == main(["bundle", str(zeros)])
    for where in ("tile/0/000", "tile/entries/000", "checkpoints/000000000000200-x"):
        place = copy / where
        before = place.read_bytes() if place.exists() else None
        place.unlink(missing_ok=True)
        place.symlink_to(zeros)
        assert ["damaged" if where.startswith("tile") else "badly signed"] == [h for h, _, _ in faults(copy, capsys)]
        place.unlink()
        if before is not None:
            place.write_bytes(before)
    (copy / "keys").unlink()
    (copy / "keys").symlink_to(zeros)
    assert 3 == main(["check", str(copy)])


def test_a_key_under_another_name_is_no_key(copy):
    (copy / "keys").write_text(KEY.replace(ORIGIN, "other.example/book"))
    assert 3 == main(["check", str(copy)])


@pytest.mark.parametrize(
    "damage",
    [
        "UPDATE page SET next = 999",
        "UPDATE page SET next = 'many'",
        "UPDATE state SET edge = x'00'",
        "UPDATE state SET recorded_at = 7",
        "UPDATE state SET size = 'all', stamp = 0",
        "UPDATE state SET recorded_at = '9999'",
        "DELETE FROM span",
        "UPDATE span SET hash = zeroblob(32)",
        None,
    ],
)
def test_a_memory_that_was_damaged_calls_nothing_wrong(copy, capsys, damage):
    """What it says of a true copy is not believed before all was read again; what is wrong is found all the same."""
    assert [] == faults(copy, capsys)
    if damage is None:  # a page in the middle of the file
        content = bytearray((copy / "verified").read_bytes())
        content[4096:8192] = b"\xff" * 4096
        (copy / "verified").write_bytes(content)
    else:
        with closing(sqlite3.connect(copy / "verified")) as memory, memory:
            memory.execute(damage)
    assert [] == faults(copy, capsys)
    assert [] == faults(copy, capsys)


def test_what_cannot_be_looked_at_is_said_in_words(tmp_path, capsys):
    found = []
    for words in (["bundle", "nowhere"], ["fetch", "http://127.0.0.1:1", str(tmp_path)], ["check", str(tmp_path)]):
        found.append((main(words), capsys.readouterr().err))
    assert [3, 2, 3] == [status for status, _ in found]
    assert all(part in said for part, (_, said) in zip(("nowhere: No such file", "--key", "fetch"), found, strict=True))
