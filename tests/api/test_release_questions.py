"""Questions 20 and 28 of JOB.md section 6, and the refused release of story S10, on the demo depot."""

from datetime import date
from hashlib import sha256

import pytest

from tests import factories as f
from tests.api.releasing import at, body, codes, job_done, prepared

REFUSED_AT = "2024-11-19T16:50:00+01:00"
S10 = {"release": "REL-20241119-FAC-004", "job": "J-20241119-FAC-004", "kind": "full", "by": "iska.thornwell"}


def feed(demo):
    """Every entry of the depot."""
    found, start = [], 0
    while page := demo.ask("/v1/feed", limit=1000, **{"from": start}):
        found += page["entries"]
        if page["next"] == start:
            return found
        start = page["next"]


@pytest.fixture
def signed(tell, client):
    tell(*prepared())
    tell(*job_done())
    answer = client.post("/v1/units/U-1/releases", json=body())
    assert 201 == answer.status_code
    return answer.json


def test_q20_the_release_that_made_a_unit_available_and_whether_it_is_still_good(demo):
    """SEL-004 went out after its service of 15 April 2025, story S1; the condition names the release."""
    number = demo.ask("/v1/units/SEL-004/condition", true_at="2025-04-30T09:00:00+02:00")["release"]["release"]
    assert "REL-20250415-SEL-004" == number
    found = demo.ask(f"/v1/releases/{number}/today")
    assert ("SEL-004", True) == (found["unit"], found["still_good"])
    assert (number, "iska.thornwell") == (found["issued"]["release"], found["issued"]["by"])


def test_q20_every_release_that_stands_in_the_depot_is_good_and_was_signed_at_the_gate(demo):
    """They are dull: nothing came to light afterwards."""
    for unit in demo.ask("/v1/units", limit=500)["units"]:
        release = demo.ask(f"/v1/units/{unit['unit']}/condition")["release"]
        if release is not None:
            found = demo.ask(f"/v1/releases/{release['release']}/today")
            assert (True, True) == (found["stands"], found["still_good"]), release
            assert "issued" not in demo.ask(f"/v1/releases/{release['release']}")


def test_q20_a_later_hold_is_told_and_the_release_still_shown_as_issued(tell, signed, ask):
    (held,) = tell(f.hold_placed("H-1", occurred_at=at(80)))
    found = ask("/v1/releases/REL-1/today")
    assert (True, True, "on_hold") == (found["stands"], found["still_good"], found["standing"])
    assert [("H-1", [held["id"]])] == [(h["hold"], h["entries"]) for h in found["holds"]]
    assert signed["certificate"] == found["issued"]
    before = ask("/v1/releases/REL-1/today", known_index=held["index"])
    assert ("ready", []) == (before["standing"], before["holds"])


def test_q20_a_release_that_another_followed_stands_no_more_and_is_shown_all_the_same(tell, signed, client, ask):
    again = client.post("/v1/units/U-1/releases", json=body(id=f.entry_id(901), release="REL-2", occurred_at=at(70)))
    assert 201 == again.status_code
    old, new = (ask(f"/v1/releases/{n}/today") for n in ("REL-1", "REL-2"))
    assert (False, True, True) == (old["stands"], old["still_good"], new["stands"])
    assert signed["certificate"] == old["issued"]


def test_q28_a_certificate_exactly_as_issued_and_what_it_would_say_today(tell, signed, ask):
    """Two documents, differences listed; each names the entries that it rests on."""
    read = next(e for e in ask("/v1/units/U-1/history")["entries"] if e["type"] == "reading.taken")
    (wrong,) = tell(f.superseded(read, read["data"] | {"readings": [{"value": "0.32"}]}, occurred_at=at(80)))
    found = ask("/v1/releases/REL-1/today")
    assert ("0.10", "0.32") == tuple(found[k]["readings"][0]["value"] for k in ("issued", "today"))
    (difference,) = found["differences"]
    assert ("readings TST-BL", [read["id"]]) == (difference["what"], difference["entries"])
    assert ("good", "not_proved") == tuple(difference[k]["conformity"]["outcome"] for k in ("then", "now"))
    assert (False, ["not-proved"]) == (found["still_good"], codes(found))
    assert ask("/v1/releases/REL-1/today", known_index=wrong["index"])["differences"] == []


def test_q28_a_limit_that_is_tightened_later_changes_no_certificate(tell, signed, ask):
    """JOB.md R5: a verdict quotes the revision it used."""
    stricter = {"characteristics": [f.backlash(replace="0.11"), f.offset()]}
    tell(f.sheet_issued(rev=2, effective_on="2026-01-06", changes=stricter, occurred_at=at(90)))
    found = ask("/v1/releases/REL-1/today")
    assert ([], True) == (found["differences"], found["still_good"])


def test_q28_every_certificate_of_the_depot_reads_today_as_it_was_issued_but_those_by_gauge_g_017(demo):
    """Story S3: G-017 was found out on 12 September 2024; what leaned on it before and was not read again says so."""
    numbers = [e["data"]["release"] for e in feed(demo) if e["type"] == "unit.released"]
    assert 100 < len(numbers)
    differing = {n: found for n in numbers[::4] if (found := demo.ask(f"/v1/releases/{n}/today"))["differences"]}
    for found in differing.values():
        for difference in found["differences"]:
            assert "G-017" == difference["now"]["gauge"]
            assert date.fromisoformat(found["issued"]["at"][:10]) < date(2024, 9, 12)


def test_q28_a_certificate_of_the_depot_names_the_book_as_it_stood(demo):
    """The root just before it, by RFC 6962 over the leaves of the feed."""
    found = demo.ask("/v1/releases/REL-20250415-SEL-004")["certificate"]["book"]
    leaves = [bytes.fromhex(e["leaf"]) for e in feed(demo)[: found["size"]]]
    assert found == {"index": len(leaves), "size": len(leaves), "root": root(leaves).hex()}


def root(leaves):
    """RFC 6962, 2.1, transcribed."""
    if len(leaves) == 1:
        return leaves[0]
    k = 1 << (len(leaves) - 1).bit_length() - 1
    return sha256(b"\1" + root(leaves[:k]) + root(leaves[k:])).digest()


def test_s10_the_release_was_refused_until_somebody_looks_at_the_iron(demo):
    asked = {"job": S10["job"], "by": S10["by"], "true_at": REFUSED_AT}
    gate = demo.ask("/v1/units/FAC-004/gate", **asked)
    (block,) = [b for b in gate["blocks"] if b["code"] == "slot-contested"]
    candidates = demo.ask("/v1/units/FAC-004/slots/arm-bearing-pack")["candidates"]
    assert {c["entry"] for c in candidates} == set(block["entries"])
    assert (["lead", "manager"], True) == (block["who_may"], "look at the iron" in block["why"])
    assert 404 == demo.client.get(f"/v1/releases/{S10['release']}").status_code, "nothing of it is in the book"


def test_s10_before_the_benches_joined_the_slot_stood_against_nothing(demo):
    asked = {"job": S10["job"], "by": S10["by"], "true_at": "2024-11-19T16:39:00+01:00"}
    joined = demo.ask("/v1/units/FAC-004/slots/arm-bearing-pack")["candidates"][1]["entry"]
    known = demo.ask(f"/v1/entries/{joined}")["index"]
    assert "slot-contested" not in codes(demo.ask("/v1/units/FAC-004/gate", **asked, known_index=known))
    assert "slot-contested" in codes(demo.ask("/v1/units/FAC-004/gate", **asked, known_index=known + 1))


def test_s10_signing_is_refused_and_goes_once_the_missing_fit_is_withdrawn_and_the_rest_done(demo_copy):
    sent = S10 | {"id": f.entry_id(990), "occurred_at": "2024-11-19T16:55:00+01:00"}
    answer = demo_copy.client.post("/v1/units/FAC-004/releases", json=sent)
    assert (409, True) == (answer.status_code, "slot-contested" in codes(answer.json))
    fitted = demo_copy.ask("/v1/units/FAC-004/slots/arm-bearing-pack")["candidates"][1]["entry"]
    gone = {"target": fitted, "why": "B-120 never left stock"}
    withdrawn = f.entry("entry.withdrawn", gone, unit="FAC-004", by=S10["by"], occurred_at="2024-11-20T08:00:00+01:00")
    assert 201 == demo_copy.client.post("/v1/entries", json=withdrawn).status_code
    left = codes(demo_copy.client.post("/v1/units/FAC-004/releases", json=sent).json)
    assert "slot-contested" not in left and {"check-unanswered", "run-missing"} == set(left)
