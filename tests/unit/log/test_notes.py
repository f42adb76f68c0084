"""Signed notes and checkpoints; the published ones are judged in tests/vectors (signed_notes.json, signatures.json)."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service_api.log.notes import (
    Checkpoint,
    NoteError,
    Signer,
    Verifier,
    open_note,
    read_checkpoint,
    read_signer,
    read_verifier,
    sign,
)

SHOP = Signer("shop.example/main", bytes(range(32)))
OTHER = Signer("shop.example/main", bytes(range(1, 33)))
HEAD = Checkpoint("shop.example/main", 20852163, bytes(range(32)))
NOTE = sign(str(HEAD), SHOP)


def test_a_secret_key_is_written_as_go_writes_it_and_reads_back():
    """golang.org/x/mod/sumdb/note, note_test.go: the key of PeterNeumann."""
    text = "PRIVATE+KEY+PeterNeumann+c74f20a3+AYEKFALVFGyNhPJEMzD1QIDr+Y7hfZx09iUvxdXHKDFz"
    found = read_signer(text)
    assert text == found.written()
    assert "PeterNeumann+c74f20a3+ARpc2QcUPDhMQegwxbzhKqiBfsVkmqq/LDE4izWy10TW" == str(found.verifier)
    assert found.seed.hex() not in repr(found) and "AYEK" not in repr(found)


def test_a_checkpoint_is_signed_opened_and_read():
    opened = open_note(NOTE, [SHOP.verifier, OTHER.verifier])
    assert (HEAD, ["shop.example/main"]) == (read_checkpoint(opened.text), opened.by)


def test_after_a_rotation_each_key_opens_its_own_notes_only():
    """Both keys have the log's name; the id in the line tells them apart."""
    with pytest.raises(NoteError, match="nobody known"):
        open_note(NOTE, [OTHER.verifier])
    assert open_note(sign(str(HEAD), OTHER), [SHOP.verifier, OTHER.verifier]).by == ["shop.example/main"]


@pytest.mark.parametrize("at", range(len(str(HEAD))))
def test_a_note_with_one_letter_changed_does_not_open(at):
    letter = "x" if NOTE[at] != "x" else "y"
    with pytest.raises(NoteError):
        open_note(NOTE[:at] + letter + NOTE[at + 1 :], [SHOP.verifier])


@given(st.text(max_size=200))
def test_what_is_no_note_is_refused_in_words(text):
    for read in (read_verifier, read_signer, read_checkpoint, lambda note: open_note(note, [SHOP.verifier])):
        with pytest.raises(NoteError):
            read(text)


@given(st.integers(0, len(NOTE) - 1))
def test_a_note_that_is_cut_short_does_not_open(cut):
    with pytest.raises(NoteError):
        open_note(NOTE[:cut], [SHOP.verifier])


def test_a_note_of_many_signatures_or_of_a_flood_is_refused():
    line = NOTE.splitlines()[-1]
    with pytest.raises(NoteError, match="100"):
        open_note(NOTE + (line + "\n") * 100, [SHOP.verifier])
    with pytest.raises(NoteError, match="at most"):
        open_note("\0" * 2_000_000, [SHOP.verifier])


def test_a_secret_key_of_another_id_is_refused_and_not_repeated():
    written = SHOP.written()
    wrong = written.replace(SHOP.verifier.key_id.hex(), "00000000")
    with pytest.raises(NoteError) as refused:
        read_signer(wrong)
    assert written.rsplit("+", 1)[1] not in str(refused.value)


@pytest.mark.parametrize("name", ["", "two words", "a+b", "a\u00a0b"])
def test_a_name_that_would_break_the_line_is_refused(name):
    with pytest.raises(NoteError):
        Verifier(name, bytes(32))


@given(st.integers(0, 2**63 - 1), st.binary(min_size=32, max_size=32))
def test_a_checkpoint_reads_back(size, root):
    made = Checkpoint("shop.example/main", size, root)
    assert made == read_checkpoint(str(made))
