"""`fettlebook-audit watch`: what a witness signs, and what it refuses. Proofs are the RFC's, transcribed."""

import json
import stat
from base64 import b64decode

import pytest
from by_hand import KEY, ORIGIN, TRUE, entry, note_of, root_of
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

from fettlebook_audit import cli, witness
from fettlebook_audit.faults import Fault
from fettlebook_audit.notes import NoteError, read_checkpoint, read_key, witnesses, written_key
from fettlebook_audit.transport import Unanswered
from fettlebook_audit.watching import Refused, Witness

NOW = 1_767_960_000
NAME = "witness.example"


class Log:
    """A service over these entries: its checkpoint, and proofs by the peer."""

    def __init__(self, texts, shown=None):
        self.texts, self.shown = texts, shown

    def get(self, path, largest):
        if path == "log/checkpoint":
            return self.shown or note_of(self.texts)
        assert path.startswith("log/proof/consistency?from=")
        old, new = (int(part.split("=")[1]) for part in path.split("?")[1].split("&"))
        proof = subproof(old, self.texts[:new], True)
        return json.dumps({"hashes": [each.hex() for each in proof]}).encode()


def subproof(old, texts, whole):
    """RFC 6962, 2.1.2."""
    if old == len(texts):
        return [] if whole else [root_of(texts)]
    k = 1 << (len(texts) - 1).bit_length() - 1
    if old <= k:
        return [*subproof(old, texts[:k], whole), root_of(texts[k:])]
    return [*subproof(old - k, texts[k:], False), root_of(texts[:k])]


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "keys").write_text(KEY + "\n")
    return tmp_path


@pytest.fixture
def look(folder):
    def run(log, seconds=NOW):
        return witness.look(folder, witness.witness_in(folder, NAME), log, seconds)

    return run


def refused(look, log):
    with pytest.raises(Refused) as found:
        look(log)
    fault = found.value.fault
    assert isinstance(fault, Fault)
    return fault.how, fault.first, fault.last


def test_what_it_signs_is_the_text_behind_its_time(folder, look):
    """https://c2sp.org/tlog-cosignature, by hand: the message, the algorithm's byte 4, the time in eight bytes."""
    signed = look(Log(TRUE[:100]))
    body, _, lines = signed.decode().partition("\n\n")
    mark, name, signature = lines.split("\n")[1].split(" ")
    content = b64decode(signature)
    key = read_key(written_key(witness.witness_in(folder, NAME).key))
    assert ("—", NAME, key.key_id, NOW) == (mark, name, content[:4], int.from_bytes(content[4:12], "big"))
    message = f"cosignature/v1\ntime {NOW}\n{body}\n".encode()
    Ed25519PublicKey.from_public_bytes(key.public).verify(content[12:], message)
    assert {NAME: NOW} == witnesses(signed, [read_key(KEY), key])
    assert ORIGIN == read_checkpoint(signed, [read_key(KEY), key]).origin


@pytest.mark.parametrize("before", [1, 64, 99, 100, 128])
def test_it_signs_what_goes_on_from_what_it_signed(look, before):
    assert look(Log(TRUE[:before])) is not None
    assert look(Log(TRUE[:before])) is None
    assert b"\n300\n" in look(Log(TRUE))


def test_a_rollback_is_refused_and_kept(folder, look):
    look(Log(TRUE))
    assert ("rolled back", 200, 299) == refused(look, Log(TRUE[:200]))
    assert 1 == len(list((folder / "refused").iterdir()))
    assert look(Log([*TRUE, entry(300)])) is not None


@pytest.mark.parametrize("size", [200, 300])
def test_a_fork_is_refused_and_what_was_signed_stays(look, size):
    look(Log(TRUE[:200]))
    forked = [entry(0, data={}), *TRUE[1:size]]
    assert ("forked", 0, 199) == refused(look, Log(forked))
    assert look(Log(TRUE)) is not None


def test_a_longer_book_without_a_proof_is_not_signed(look):
    class Silent(Log):
        def get(self, path, largest):
            if "proof" in path:
                raise Unanswered(path, 500, "Internal")
            return super().get(path, largest)

    class Babbling(Log):
        def get(self, path, largest):
            return b"[]" if "proof" in path else super().get(path, largest)

    look(Log(TRUE[:200]))
    with pytest.raises(Unanswered):
        look(Silent(TRUE))
    assert ("forked", 0, 199) == refused(look, Babbling(TRUE))


def test_what_the_book_has_not_signed_is_not_signed(look):
    with pytest.raises(NoteError):
        look(Log(TRUE, note_of(TRUE, Ed25519PrivateKey.generate())))
    with pytest.raises(NoteError):
        look(Log(TRUE, note_of(TRUE, origin="other.example/book")))
    with pytest.raises(NoteError):
        look(Log(TRUE, b"\0" * 50_000))


def test_an_empty_book_is_the_beginning_of_every_other(look):
    assert look(Log([], note_of([]))) is not None
    assert look(Log(TRUE[:3])) is not None


def test_its_secret_is_its_owner_s_alone_and_a_name_is_wanted_once(folder, look, capsys):
    look(Log(TRUE))
    secret = folder / "witness.key"
    assert 0o600 == stat.S_IMODE(secret.stat().st_mode)
    assert witness.witness_in(folder, None).key == witness.witness_in(folder, NAME).key
    with pytest.raises(ValueError, match="not the secret of another"):
        witness.witness_in(folder, "another")
    secret.chmod(0o644)
    with pytest.raises(ValueError, match="may be read by others"):
        witness.witness_in(folder, NAME)
    secret.unlink()
    assert 3 == cli.main(["watch", "http://127.0.0.1:9", str(folder), "--once"])
    assert "--name" in capsys.readouterr().err


def test_two_witnesses_do_not_share_a_folder(folder, capsys):
    with witness.held(folder):
        assert 3 == cli.main(["watch", "http://127.0.0.1:9", str(folder), "--name", NAME, "--once"])
    assert "another witness" in capsys.readouterr().err


def test_the_machine_does_no_io(look):
    """Handed bytes, it signs or raises."""
    one = Witness(NAME, Ed25519PrivateKey.generate(), [read_key(KEY)])
    assert one.needs(note_of(TRUE)) is None
    one.sign(note_of(TRUE), [], NOW)
    assert (300, 301) == one.needs(note_of([*TRUE, entry(300)]))
