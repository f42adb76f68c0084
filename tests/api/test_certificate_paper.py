"""A certificate on paper through the API: drawn once, given out again as it was, never before its release arrived."""

import json
from hashlib import sha256

import pytest
from fettlebook_audit.papers import read_paper

from tests import factories as f
from tests import reading_papers as papers
from tests.api.releasing import JOB, SIGNER, at, body, job_done, prepared

PAPER = "/v1/releases/REL-1/certificate.pdf"
pytestmark = pytest.mark.usefixtures("signing_key")


@pytest.fixture
def ready(tell):
    tell(*prepared())
    return tell(*job_done())


@pytest.fixture
def signed(client, ready):
    answer = client.post("/v1/units/U-1/releases", json=body())
    assert 201 == answer.status_code, answer.json
    return answer.json


def test_the_paper_is_that_of_the_json_and_its_square_names_the_book_then(signed, client):
    answer = client.get(PAPER)
    assert (200, "application/pdf") == (answer.status_code, answer.mimetype)
    (square,) = papers.squares(answer.data)
    book = signed["certificate"]["book"]
    assert {"release": "REL-1", "origin": "test.example/depot", "book": book} == json.loads(square)
    said = papers.text(answer.data)
    assert "REL-1" in said and SIGNER in said and "0.10 turn 0.33 0.31" in said
    assert "Replaces certificate" not in said and "Signed away" not in said


@pytest.mark.parametrize("form", ["square", "json"])
def test_an_auditor_s_program_takes_the_square_and_the_json_for_the_entry_s_own(signed, client, tmp_path, form):
    paper = papers.squares(client.get(PAPER).data)[0] if form == "square" else client.get("/v1/releases/REL-1").text
    (tmp_path / "paper").write_text(paper)
    found = read_paper(tmp_path / "paper", [])
    book = signed["certificate"]["book"]
    assert (book["size"], book["root"], book["index"]) == (found.size, found.root.hex(), found.index)
    texts = {e["index"]: e["hashed"].encode() for e in client.get("/v1/units/U-1/bundle").json["entries"]}
    assert found.entry_fault(texts[found.index]) is None
    assert "edited" == found.entry_fault(texts[found.index - 1]).how


def test_it_is_drawn_once_and_stored_by_its_digest(signed, client, auditor_client, tell, clock):
    first = client.get(PAPER)
    digest = sha256(first.data).hexdigest()
    assert f'"{digest}"' == first.headers["ETag"]
    assert first.data == client.get(f"/v1/attachments/{digest}").data
    clock.advance(days=40)
    tell(f.reading("0.30", occurred_at=at(90)))
    assert first.data == auditor_client.get(PAPER).data
    assert 304 == client.get(PAPER, headers={"If-None-Match": first.headers["ETag"]}).status_code


def test_what_was_given_out_is_given_out_again_even_when_the_drawing_has_changed(signed, client, monkeypatch):
    first = client.get(PAPER).data
    monkeypatch.setattr("service_api.paper.certificate.WHAT", "Another closing line.")
    assert first == client.get(PAPER).data


def test_accept_asks_for_it_and_a_browser_gets_the_json(signed, client):
    assert client.get(PAPER).data == client.get("/v1/releases/REL-1", headers={"Accept": "application/pdf"}).data
    assert "application/json" == client.get("/v1/releases/REL-1", headers={"Accept": "text/html,*/*;q=0.8"}).mimetype


def test_lost_bytes_are_said_and_the_json_stands(signed, client, store, book):
    digest = sha256(client.get(PAPER).data).hexdigest()
    (store.attachments / str(book.number) / digest).unlink()
    answer = client.get(PAPER)
    assert (404, True) == (answer.status_code, "bytes are lost" in answer.json["detail"])
    assert 200 == client.get("/v1/releases/REL-1").status_code


def test_a_release_signed_away_from_the_book_prints_nothing_before_it_arrived_and_says_late(ready, client, tell):
    assert 404 == client.get(PAPER).status_code
    late = f.released("REL-1", by=SIGNER, job=JOB, occurred_at=at(60), more={"job": JOB})
    tell(late)
    assert "Signed away from the book" in papers.text(client.get(PAPER).data)


def test_a_new_number_says_which_it_replaces_and_the_old_paper_stays(signed, client, tell):
    first = client.get(PAPER).data
    data = {"release": "REL-2", "replaces": "REL-1", "why": "the hire was longer"}
    tell(f.entry("release.reissued", data, occurred_at=at(120), by=SIGNER))
    said = papers.text(client.get("/v1/releases/REL-2/certificate.pdf").data)
    assert "REL-2" in said and "Replaces certificate REL-1, which no longer counts: the hire was longer" in said
    assert first == client.get(PAPER).data


def test_a_customer_is_given_the_paper_of_what_was_sent_to_them_and_no_other(signed, client_of, tell):
    customer = client_of("customer", party="party-a")
    assert 404 == customer.get(PAPER).status_code
    tell(f.dispatched("party-a", occurred_at=at(100)))
    assert "application/pdf" == customer.get(PAPER).mimetype
    assert 404 == client_of("customer", party="party-b").get(PAPER).status_code


def test_the_dossier_names_the_book_that_the_certificate_rested_on(signed, client):
    said = papers.text(client.get("/v1/units/U-1/dossier.pdf").data)
    book = signed["certificate"]["book"]
    assert f"{book['size']}entries,root{book['root']}" in said.replace(" ", "")  # the column breaks the digest
