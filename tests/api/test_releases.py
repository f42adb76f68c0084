"""Signing a release: what the gate says under the lock, what is frozen, what is refused (CONTRACT C, Gate, Release)."""

import json
import threading
from hashlib import sha256

import pytest
import rfc8785

from service_api.log.merkle import Frontier
from tests import factories as f
from tests.api.releasing import JOB, SIGNER, at, body, codes, job_done, prepared, run, sheet
from tests.conftest import client_with, token_of

RELEASES = "/v1/units/U-1/releases"


@pytest.fixture
def ready(tell):
    tell(*prepared())
    return tell(*job_done())


@pytest.fixture
def sign(client):
    """Sends a release: `sign(second="bob.bench")`."""
    return lambda **changes: client.post(RELEASES, json=body(**changes))


@pytest.fixture
def signed(ready, sign):
    answer = sign()
    assert 201 == answer.status_code, answer.json
    return answer.json


@pytest.fixture
def condition(ask):
    return lambda: ask("/v1/units/U-1/condition")


def test_a_release_makes_the_unit_ready(signed, condition):
    condition = condition()
    assert ("ready", "REL-1") == (condition["standing"], condition["release"]["release"])
    assert [] == condition["discrepancies"]


def test_the_certificate_is_what_the_gate_had_drawn(ready, sign, ask):
    draft = ask("/v1/units/U-1/gate", job=JOB, by=SIGNER)["certificate"]
    found = sign().json["certificate"]
    own = ("release", "at", "book")
    assert {k: v for k, v in draft.items() if k not in own} == {k: v for k, v in found.items() if k not in own}
    assert ("REL-1", at(60)) == (found["release"], found["at"])


def test_the_certificate_names_its_own_index_and_size_and_root_before_it(signed, client):
    """The root by RFC 6962 over the hashed texts, as the feed gives them."""
    index = signed["index"]
    frontier = Frontier.unpack(0, b"")
    for entry in client.get("/v1/feed?limit=500").json["entries"][:index]:
        frontier.push(bytes.fromhex(entry["leaf"]))
    assert {"index": index, "size": index, "root": frontier.root().hex()} == signed["certificate"]["book"]


def test_the_certificate_is_frozen_in_the_entry(signed, ask, tell):
    kept = ask(f"/v1/entries/{signed['id']}")["data"]["certificate"]
    assert ("U-1", "0.10") == (kept["unit"], kept["readings"][0]["value"])
    issued = ask("/v1/releases/REL-1")
    tell(f.reading("0.25", stage="as_found", occurred_at=at(90)), f.scanned(occurred_at=at(91)))
    assert issued == ask("/v1/releases/REL-1")
    assert issued["certificate"] == signed["certificate"]
    assert {"release", "unit", "entry", "certificate"} == issued.keys()


def test_the_same_again_is_answered_with_the_first_answer(signed, sign):
    again = sign()
    assert (200, True) == (again.status_code, again.json["again"])
    assert {k: v for k, v in again.json.items() if k != "again"} == signed
    other = sign(kind="with_concession", concessions=["C-1"])
    assert (409, "id-reused") == (other.status_code, other.json["type"].rpartition("/")[2])


def test_a_block_refuses_leaves_nothing_in_the_book_and_does_not_use_up_the_id(tell, ready, sign, client):
    tell(f.finding_raised("F-1", blocking=True, occurred_at=at(50)))
    size = client.get("/v1/feed?limit=500").json["next"]
    answer = sign()
    assert (409, ["finding-open"]) == (answer.status_code, codes(answer.json))
    assert answer.json["type"].endswith("/problems/not-releasable")
    assert {"code", "why", "entries", "who_may"} == answer.json["blocks"][0].keys()
    assert size == client.get("/v1/feed?limit=500").json["next"]
    tell(f.finding_closed("F-1", occurred_at=at(55)))
    assert 201 == sign().status_code


def test_moved_on_when_the_gate_says_something_else_than_what_was_read(tell, ready, sign, ask):
    seen = ask("/v1/units/U-1/gate", job=JOB, by=SIGNER)["as_of"]["index"]
    tell(f.finding_raised("F-1", occurred_at=at(50)))  # it does not block; it stands on the certificate
    answer = sign(seen_index=seen)
    assert (409, "moved-on") == (answer.status_code, answer.json["type"].rpartition("/")[2])
    now = ask("/v1/units/U-1/gate", job=JOB, by=SIGNER, true_at=at(60))
    assert now["digest"] == answer.json["digest"]
    assert 201 == sign(seen_index=now["as_of"]["index"]).status_code


def test_not_moved_on_by_what_the_gate_does_not_look_at(tell, ready, sign, ask):
    seen = ask("/v1/units/U-1/gate", job=JOB, by=SIGNER)["as_of"]["index"]
    tell(f.registered("U-2", occurred_at=at(50)), f.scanned(occurred_at=at(51)))
    assert 201 == sign(seen_index=seen).status_code


def test_what_was_read_is_compared_without_folding_a_long_page_again(tell, sign, ask, monkeypatch):
    """It would hold the book meanwhile. What came since are facts after all the others."""
    monkeypatch.setattr("service_api.late.LENGTH", 4)
    tell(*prepared())
    tell(*job_done(), *(f.scanned(occurred_at=at(41 + n)) for n in range(9)))
    seen = ask("/v1/units/U-1/gate", job=JOB, by=SIGNER)["as_of"]["index"]
    tell(f.scanned(occurred_at=at(51)), f.finding_raised("F-1", occurred_at=at(52)))

    def whole_page(*_, **__):
        raise AssertionError("the whole page was folded")

    monkeypatch.setattr("service_api.answering.asking.draw_unit", whole_page)
    assert sign(seen_index=seen).json["type"].endswith("/moved-on")
    read = ask("/v1/units/U-1/gate", job=JOB, by=SIGNER, known_index=seen)
    assert (seen, []) == (read["as_of"]["index"], read["certificate"]["findings"])
    assert 201 == sign(seen_index=seen + 2).status_code


def test_not_releasable_is_said_before_moved_on(tell, ready, sign, ask):
    seen = ask("/v1/units/U-1/gate", job=JOB, by=SIGNER)["as_of"]["index"]
    tell(f.finding_raised("F-1", blocking=True, occurred_at=at(50)))
    assert sign(seen_index=seen).json["type"].endswith("/not-releasable")


def test_moved_on_when_the_unit_was_not_there_yet(ready, sign):
    assert sign(seen_index=1).json["type"].endswith("/moved-on")


def test_a_release_of_the_past_takes_facts_up_to_then_known_now(tell, ready, sign):
    tell(f.finding_raised("F-9", blocking=True, occurred_at=at(90)))
    assert 409 == sign(occurred_at=at(91)).status_code
    assert 201 == sign().status_code


def test_with_a_concession(tell, ready, sign):
    tell(f.finding_raised("F-1", blocking=True, occurred_at=at(50)))
    granted = {"concession": "C-1", "for": {"finding": "F-1"}, "why": "agreed", "until_on": "2026-02-01"}
    tell(f.entry("concession.granted", granted, occurred_at=at(55)))
    assert 409 == sign().status_code
    answer = sign(kind="with_concession", concessions=["C-1"])
    assert (201, "with_concession") == (answer.status_code, answer.json["certificate"]["kind"])
    assert ["C-1"] == [c["concession"] for c in answer.json["certificate"]["concessions"]]


def test_a_concession_that_nobody_granted(ready, sign, condition):
    answer = sign(kind="with_concession", concessions=["C-9"])
    assert (409, ["concession-overdue"]) == (answer.status_code, codes(answer.json))
    assert "in_shop" == condition()["standing"]


def test_a_concession_that_nobody_granted_and_an_offline_release_is_kept_and_held(tell, ready, condition):
    more = {"job": JOB, "kind": "with_concession", "concessions": ["C-9"]}
    tell(f.released("REL-9", more=more, by=SIGNER, occurred_at=at(60)))
    (doubt,) = condition()["discrepancies"]
    assert ("released-while-blocked", True) == (doubt["code"], "no concession C-9 is open" in doubt["detail"])
    assert "on_hold" == condition()["standing"]


def test_a_long_certificate_stands_in_its_entry_by_its_digest_and_its_bytes_beside(tell, sign, ask, client):
    rows = [f.offset(code=f"TST-X{n}", title="offset " * 15) for n in range(30)]
    tell(*prepared(characteristics=[f.backlash(), *rows]))
    reads = [
        f.reading("0.05", characteristic=row["code"], uom="mm", stage="as_left", job=JOB, occurred_at=at(15))
        for row in rows
    ]
    tell(*job_done()[:-1], *reads, job_done()[-1])
    answer = sign()
    assert 201 == answer.status_code
    kept = answer.json["data"]["certificate"]
    assert {"sha256", "bytes"} == kept.keys()
    content = client.get(f"/v1/attachments/{kept['sha256']}").data
    assert (kept["sha256"], kept["bytes"]) == (sha256(content).hexdigest(), len(content))
    assert content == rfc8785.dumps(json.loads(content))
    assert 31 == len(answer.json["certificate"]["readings"])
    assert answer.json["certificate"] == ask("/v1/releases/REL-1")["certificate"]


# What is refused, and says what to do


def test_somebody_who_is_not_in_the_directory(ready, sign):
    answer = sign(by="no.body")
    assert (422, "/by", "unknown-person") == (
        answer.status_code,
        answer.json["errors"][0]["pointer"],
        answer.json["errors"][0]["code"],
    )
    assert "/second" == sign(second="no.body").json["errors"][0]["pointer"]


def test_somebody_whose_role_may_not_sign(ready, sign):
    assert 403 == sign(by="sam.stores").status_code


def test_a_number_that_is_in_the_book_already_even_a_withdrawn_one(tell, signed, sign):
    answer = sign(id=f.entry_id(901))
    assert (409, "id-reused") == (answer.status_code, answer.json["type"].rpartition("/")[2])
    assert "REL-1" in answer.json["detail"]
    tell(f.withdrawn(signed, occurred_at=at(65)))
    assert 409 == sign(id=f.entry_id(901)).status_code


def test_a_retired_unit(tell, ready, sign):
    tell(f.entry("unit.retired", {"why": "worn out", "authorised_by": "mo.manager"}, occurred_at=at(50)))
    assert ["not-in-shop"] == codes(sign().json)


def test_a_second_who_did_the_work_and_one_who_is_the_first(ready, sign):
    assert "second-person" in codes(sign(second=f.PERSON).json)
    assert "second-is-first" == sign(second=SIGNER).json["errors"][0]["code"]


def test_a_hire_that_ends_before_it_begins(ready, sign):
    answer = sign(hire={"from": "2026-02-02", "until": "2026-02-01"})
    assert (422, "/hire/until") == (answer.status_code, answer.json["errors"][0]["pointer"])


@pytest.mark.parametrize(
    ("changes", "pointer", "code"),
    [
        ({"release": None}, "/release", "missing-member"),
        ({"kind": "half"}, "/kind", "unknown-word"),
        ({"kind": "with_concession"}, "/kind", "wrong-form"),
        ({"concessions": ["C-1"]}, "/kind", "wrong-form"),
        ({"colour": "red"}, "/colour", "extra-member"),
        ({"certificate": {"unit": "U-1"}}, "/certificate", "extra-member"),
        ({"occurred_at": "2026-01-06T09:00:00+01:00"}, "/occurred_at", "too-far-ahead"),
        ({"seen_index": 9999}, "/seen_index", "wrong-form"),
        ({"id": "x"}, "/id", "bad-id"),
    ],
)
def test_a_body_that_is_no_release(ready, sign, changes, pointer, code):
    answer = sign(**changes)
    assert 422 == answer.status_code
    assert (pointer, code) in [(e["pointer"], e["code"]) for e in answer.json["errors"]]


def test_a_body_that_is_no_object(ready, client):
    assert "wrong-form" == client.post(RELEASES, json=[]).json["errors"][0]["code"]


@pytest.mark.parametrize("media", [None, "text/plain", "application/x-www-form-urlencoded", "application/x-ndjson"])
@pytest.mark.parametrize("path", [RELEASES, "/v1/people", "/v1/parties", "/v1/tags", "/v1/devices"])
def test_a_body_of_another_media_type_is_415_as_it_is_of_an_entry(ready, client, path, media):
    answer = client.post(path, data=json.dumps(body()), content_type=media)
    assert (415, "wrong-media-type") == (answer.status_code, answer.json["type"].rpartition("/")[2])


def test_an_unknown_unit_is_404_with_near_misses(ready, client):
    answer = client.post("/v1/units/U-11/releases", json=body())
    assert (404, True) == (answer.status_code, "U-1" in answer.json["near"])


@pytest.mark.parametrize("unit", ["%00", "a%20b", "x" * 300])
def test_what_can_be_no_unit_is_404_as_it_is_at_the_gate(client, unit):
    for answer in (client.get(f"/v1/units/{unit}/gate"), client.post(f"/v1/units/{unit}/releases", json=body())):
        assert (404, "unknown-unit") == (answer.status_code, answer.json["type"].rpartition("/")[2])


def test_a_client_cannot_write_the_certificate(ready, post):
    given = f.released(more={"certificate": {"unit": "U-1"}}, by=SIGNER, occurred_at=at(60))
    answer = post(given)
    assert ("/data/certificate", "extra-member") == tuple(answer.json["errors"][0][k] for k in ("pointer", "code"))


# Under one lock


def test_a_finding_at_the_same_moment_is_before_the_release_and_refuses_it_or_after_it(app, store, book, ready, ask):
    """Raced twenty times: whatever comes first, no release is recorded on top of a finding that blocks it."""
    token = token_of(store, book, "admin")
    outcomes = []
    for n in range(20):
        finding = f.finding_raised(f"F-{n}", blocking=True, occurred_at=at(55), id=f.entry_id(1000 + n))
        release = body(id=f.entry_id(2000 + n), release=f"REL-{n}")
        race = threading.Barrier(2)
        found = {}

        def send(name, path, what, race=race, found=found):
            client = client_with(app, token)
            race.wait()
            found[name] = client.post(path, json=what)

        threads = [
            threading.Thread(target=send, args=("finding", "/v1/entries", finding)),
            threading.Thread(target=send, args=("release", RELEASES, release)),
        ]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert 201 == found["finding"].status_code
        if found["release"].status_code == 201:
            assert found["release"].json["index"] < found["finding"].json["index"]
        else:
            assert ["finding-open"] == codes(found["release"].json)
        outcomes.append(found["release"].status_code)
        client = client_with(app, token)
        closed = f.finding_closed(f"F-{n}", occurred_at=at(56), id=f.entry_id(3000 + n))
        assert 201 == client.post("/v1/entries", json=closed).status_code
    assert {201, 409} >= set(outcomes)


def test_a_sheet_without_a_final_run_wants_none(tell, sign, ask):
    """Look-alike of `run-missing`."""
    tell(*prepared(release=sheet()["release"] | {"final_run": False}))
    tell(*job_done()[:-1])
    assert 201 == sign().status_code


# What a customer sees of it


def test_a_customer_sees_the_release_with_which_a_unit_was_sent_to_them_and_no_other(
    tell, signed, sign, client_of, ask
):
    theirs, others = (client_of("customer", person=f"cus.{p}", party=f"party-{p}") for p in "ab")
    assert 404 == theirs.get("/v1/releases/REL-1").status_code
    tell(f.dispatched("party-a", occurred_at=at(70)))
    assert signed["certificate"] == theirs.get("/v1/releases/REL-1").json["certificate"]
    today = theirs.get("/v1/releases/REL-1/today").json
    assert (True, False) == (today["still_good"], "blocks" in today)
    absent = others.get("/v1/releases/REL-9").json["detail"]
    assert absent.replace("REL-9", "REL-1") == others.get("/v1/releases/REL-1").json["detail"]
    tell(f.received(occurred_at=at(80)), f.job_opened("J-2", occurred_at=at(81)))
    tell(f.check_answered("guards", job="J-2", occurred_at=at(82)), *second_run())
    assert 201 == sign(id=f.entry_id(901), release="REL-2", job="J-2", occurred_at=at(90)).status_code
    assert 404 == theirs.get("/v1/releases/REL-2").status_code


def second_run():
    return [run("R-9", job="J-2", occurred_at=at(85))]
