"""`fettlebook verify --against certificate.json`: its words are held against the book's (CONTRACT C, Release)."""

import json

import pytest
from click.testing import CliRunner

from service_api import cli, releasing
from tests import factories as make
from tests.api.releasing import body, job_done, prepared

ALTERED = [
    (lambda c: c | {"by": "bob.bench"}, ["by"]),
    (lambda c: c | {"readings": [c["readings"][0] | {"value": "0.09"}]}, ["readings/0/value"]),
    (lambda c: c | {"sheet_rev": 2}, ["sheet_rev"]),
    (lambda c: c | {"second": "sec.second"}, ["second"]),
    (lambda c: {k: v for k, v in c.items() if k != "runs"}, ["runs"]),
    (lambda c: c | {"checks": []}, ["checks"]),
    (lambda c: c | {"more": "words"}, ["more"]),
    (lambda c: c | {"book": c["book"] | {"index": c["book"]["index"] + 1}}, ["book/index"]),
    (lambda c: {"release": c["release"], "book": c["book"], "origin": "another.example/depot"}, ["origin"]),
]


@pytest.fixture(params=["frozen", "by its digest", "signed away"])
def certificate(request, tell, client, ask, monkeypatch):
    tell(*prepared(), *job_done())
    if request.param == "signed away":
        more = {"job": "J-1"}
        tell(make.released(by="sig.signatory", occurred_at="2026-01-05T10:00:00+01:00", job="J-1", more=more))
    else:
        if request.param == "by its digest":
            monkeypatch.setattr(releasing, "LONGEST", 10)
        assert 201 == client.post("/v1/units/U-1/releases", json=body()).status_code
    found = ask("/v1/releases/REL-1")
    tell(make.scanned())
    return found


def verified(store, tmp_path, paper):
    store.close()
    file = tmp_path / "certificate.json"
    file.write_text(json.dumps(paper))
    words = ["--data", str(store.settings.data), "--json", "verify", "--against", str(file)]
    answer = CliRunner().invoke(cli.main, words)
    return answer.exit_code, [f["says"] for f in json.loads(answer.stdout)["books"][0]["faults"]]


def test_the_certificate_itself_alone_and_beside_its_release_has_no_fault(certificate, store, tmp_path):
    alone = certificate["certificate"]
    for paper in (certificate, alone, {k: alone[k] for k in ("release", "book")}):
        assert (0, []) == verified(store, tmp_path, paper)


def test_a_word_that_is_another_is_told_by_its_member(certificate, store, tmp_path):
    for alter, members in ALTERED:
        status, (says,) = verified(store, tmp_path, alter(certificate["certificate"]))
        assert (1, ", ".join(members)) == (status, says.rpartition(": ")[2])


def test_a_release_that_the_book_does_not_have(certificate, store, tmp_path):
    status, (says,) = verified(store, tmp_path, certificate["certificate"] | {"release": "REL-9"})
    assert (1, True) == (status, "REL-9, which the book does not have" in says)


def test_an_entry_beyond_the_book(certificate, store, tmp_path):
    alone = certificate["certificate"]
    status, (says,) = verified(store, tmp_path, alone | {"book": alone["book"] | {"index": 900}})
    assert (1, True) == (status, "the book has" in says)
