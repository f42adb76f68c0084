"""The files of a book's keys: rights, rotation, and what is said when something is wrong with them."""

import os
import stat

import pytest

from service_api.log.keys import Keys, KeyTrouble
from service_api.log.notes import open_note, sign

ORIGIN = "shop.example/main"
THEN, LATER = "2026-01-05T12:00:00.000Z", "2026-06-05T12:00:00.000Z"
TEXT = "shop.example/main\n0\n47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU=\n"


@pytest.fixture
def keys(tmp_path):
    return Keys(tmp_path / "keys", 1, ORIGIN)


def test_a_book_that_never_had_a_key_has_none(keys):
    assert (None, []) == (keys.signer(), keys.published())
    assert not keys.folder.exists()


def test_a_made_key_is_its_owners_alone_whatever_the_umask(keys):
    before = os.umask(0)
    try:
        made = keys.make(THEN)
    finally:
        os.umask(before)
    assert 0o600 == stat.S_IMODE(keys.secret.stat().st_mode)
    assert 0o700 == stat.S_IMODE(keys.folder.stat().st_mode)
    assert 0o644 == stat.S_IMODE(keys.public.stat().st_mode)
    assert made == keys.signer().verifier
    assert [(THEN, made)] == [(p.since, p.verifier) for p in keys.published()]
    assert {"1.key", "1.pub"} == {path.name for path in keys.folder.iterdir()}


def test_a_rotated_key_signs_and_the_old_one_still_opens_what_it_signed(keys):
    old = keys.make(THEN)
    signed_then = sign(TEXT, keys.signer())
    new = keys.rotate(LATER)
    assert old != new == keys.signer().verifier
    assert [(THEN, old), (LATER, new)] == [(p.since, p.verifier) for p in keys.published()]
    assert open_note(signed_then, [p.verifier for p in keys.published()]).by == [ORIGIN]
    with pytest.raises(ValueError):
        open_note(signed_then, [new])


def test_a_second_first_key_is_refused_and_the_first_stays(keys):
    made = keys.make(THEN)
    with pytest.raises(KeyTrouble, match="already"):
        keys.make(LATER)
    assert made == keys.signer().verifier


def test_there_is_nothing_to_rotate_without_a_key(keys):
    with pytest.raises(KeyTrouble, match="make one"):
        keys.rotate(LATER)


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o660, 0o666])
def test_a_key_that_others_may_touch_does_not_sign(keys, mode):
    keys.make(THEN)
    keys.secret.chmod(mode)
    with pytest.raises(KeyTrouble, match="may be read by others"):
        keys.signer()


def test_a_lost_key_is_not_replaced_in_silence(keys):
    keys.make(THEN)
    keys.secret.unlink()
    with pytest.raises(KeyTrouble, match="lost"):
        keys.signer()
    with pytest.raises(KeyTrouble, match="rotate"):
        keys.make(LATER)
    assert keys.rotate(LATER) == keys.signer().verifier


def test_the_key_of_another_book_does_not_sign(keys):
    keys.make(THEN)
    with pytest.raises(KeyTrouble, match="not of shop"):
        Keys(keys.folder, 1, "shop.example/other").signer()


@pytest.mark.parametrize("content", [b"", b"\xff\xfe", b"PRIVATE+KEY+", b"\0" * 5000])
def test_a_damaged_key_is_said_and_not_repeated(keys, content):
    keys.make(THEN)
    secret = keys.secret.read_text().split("+", 4)[4].strip()
    keys.secret.write_bytes(content or keys.secret.read_bytes()[:-9])
    with pytest.raises(KeyTrouble) as said:
        keys.signer()
    assert secret[:20] not in str(said.value)


def test_damaged_public_keys_are_said(keys):
    keys.make(THEN)
    keys.public.write_text("nonsense\n")
    with pytest.raises(KeyTrouble):
        keys.published()
