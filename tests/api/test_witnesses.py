"""Cosignatures on checkpoints (C2SP tlog-cosignature): made by hand, shown beside the book's own."""

import json
from base64 import b64decode, b64encode
from hashlib import sha256

import pytest
from click.testing import CliRunner
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from fettlebook_audit.notes import read_checkpoint, read_key, witnesses

from service_api import cli
from service_api.log.notes import COSIGNATURE, NoteError, read_verifier
from tests import factories as make

NAME = "witness.example"
NOW = 1_767_960_000
SECRET = Ed25519PrivateKey.from_private_bytes(bytes(range(32)))


def key(secret=SECRET, name=NAME):
    public = b"\4" + secret.public_key().public_bytes_raw()
    key_id = sha256(name.encode() + b"\n" + public).digest()[:4]
    return f"{name}+{key_id.hex()}+{b64encode(public).decode()}", key_id


def line(note, secret=SECRET, name=NAME, seconds=NOW, text=None):
    """By hand, from the words of the specification."""
    text = text or note.partition("\n\n")[0] + "\n"
    signature = secret.sign(f"cosignature/v1\ntime {seconds}\n{text}".encode())
    return f"— {name} {b64encode(key(secret, name)[1] + seconds.to_bytes(8, 'big') + signature).decode()}\n"


@pytest.fixture
def trusted(store, book):
    store.keys(book).trust(read_verifier(key()[0], COSIGNATURE))


@pytest.fixture
def note(client, tell):
    tell(make.sheet_issued(), make.registered(), make.scanned())
    return client.get("/v1/log/checkpoint").text


def hand_in(client, note):
    return client.post("/v1/log/cosignatures", data=note.encode(), content_type="text/plain; charset=utf-8")


def test_what_a_witness_signed_stands_beside_the_book_s_own(client, store, book, note, trusted):
    answer = hand_in(client, note + line(note))
    assert (201, {"size": 3, "witnesses": [NAME]}) == (answer.status_code, answer.json)
    shown = client.get("/v1/log/checkpoint").text
    assert note + line(note) == shown
    keys = [read_key(str(store.keys(book).published()[-1].verifier)), read_key(key()[0])]
    assert ({NAME: NOW}, 3) == (witnesses(shown.encode(), keys), read_checkpoint(shown.encode(), keys).size)


def test_a_longer_book_has_no_line_until_it_is_signed_and_gives_the_older_one_when_asked(client, note, trusted, tell):
    hand_in(client, note + line(note))
    tell(make.scanned())
    longer = client.get("/v1/log/checkpoint").text
    assert NAME not in longer
    assert note + line(note) == client.get("/v1/log/checkpoint?witnessed=true").text
    hand_in(client, longer + line(longer))
    hand_in(client, note + line(note, seconds=NOW + 1))  # late: it is the longer one that is kept
    assert longer + line(longer) == client.get("/v1/log/checkpoint?witnessed=true").text


def test_two_witnesses_stand_side_by_side(client, store, book, note, trusted):
    other = Ed25519PrivateKey.generate()
    store.keys(book).trust(read_verifier(key(other, "another.example")[0], COSIGNATURE))
    hand_in(client, note + line(note))
    hand_in(client, note + line(note, other, "another.example"))
    assert 3 == client.get("/v1/log/checkpoint").text.count("\n— ")


@pytest.mark.parametrize(
    "change",
    [
        lambda note: note,
        lambda note: note + line(note, Ed25519PrivateKey.generate()),
        lambda note: note + line(note, name="stranger.example"),
        lambda note: note + line(note).replace(b64encode(key()[1]).decode()[:4], "AAAA"),
        lambda note: note + line(note, text="other\n3\nAAAA\n"),
        lambda note: "",
        lambda note: "\0" * 1000,
        lambda note: note.replace("\n3\n", "\n2\n") + line(note.replace("\n3\n", "\n2\n")),
        lambda note: note.replace("\n3\n", "\n4\n") + line(note.replace("\n3\n", "\n4\n")),
        lambda note: (
            note.replace("test.example", "another.example") + line(note.replace("test.example", "another.example"))
        ),
        lambda note: note + line(note)[:-3],
    ],
    ids=range(11),
)
def test_what_no_witness_of_the_book_has_signed_of_it_is_refused(client, note, trusted, change):
    answer = hand_in(client, change(note))
    assert (422, "wrong-form") == (answer.status_code, answer.json["errors"][0]["code"])
    assert note == client.get("/v1/log/checkpoint").text


def test_a_note_that_is_too_long_is_refused_and_without_witnesses_there_is_none(client, note):
    assert 413 == hand_in(client, note + "x" * 70_000).status_code
    assert 422 == hand_in(client, note + line(note)).status_code
    assert 404 == client.get("/v1/log/checkpoint?witnessed=true").status_code
    assert 422 == client.get("/v1/log/checkpoint?witnessed=maybe").status_code


def test_a_rotated_key_signs_what_the_witness_signed(client, store, book, note, trusted):
    hand_in(client, note + line(note))
    store.keys(book).rotate("2026-02-01T00:00:00.000Z")
    shown = client.get("/v1/log/checkpoint?witnessed=true").text
    assert shown.endswith(line(note))
    assert 3 == read_checkpoint(shown.encode(), [read_key(str(store.keys(book).published()[-1].verifier))]).size


def test_the_command_adds_and_forgets_witnesses(store, book):
    store.close()

    def run(*words):
        return CliRunner().invoke(cli.main, ["--data", str(store.settings.data), "--json", "key", "witness", *words])

    assert [NAME] == json.loads(run(key()[0]).output)["witnesses"]
    assert [NAME] == json.loads(run(key(Ed25519PrivateKey.generate())[0]).output)["witnesses"]  # its new key
    assert 2 == run("nonsense").exit_code
    assert 1 == run("stranger.example", "--forget").exit_code
    assert [] == json.loads(run(NAME, "--forget").output)["witnesses"]


def test_a_book_s_key_is_no_witness_s(store, book, client, note):
    with pytest.raises(NoteError, match="not the Ed25519 key of a witness"):
        read_verifier(str(store.keys(book).published()[-1].verifier), COSIGNATURE)
    assert 32 == len(b64decode(note.split("\n")[2]))
