"""What takes a released unit out of `ready`, and what does not (CONTRACT C, standing); what overtakes its release."""

import json

import pytest

from service_api.app import Store, create_app
from tests import factories as f
from tests.api.releasing import EARLY, JOB, SIGNER, at, body, codes, job_done, prepared, run, sheet
from tests.conftest import client_with, token_of

EXTRA = [
    {"check": "guards", "title": "guards in place", "blocking": True},
    {"check": "labels", "title": "labels readable", "blocking": False},
]


@pytest.fixture
def signed(tell, client):
    """A unit that was released at 10:00 at the gate."""
    tell(*prepared(checks=EXTRA))
    tell(*job_done())
    answer = client.post("/v1/units/U-1/releases", json=body())
    assert 201 == answer.status_code, answer.json
    return answer.json


@pytest.fixture
def condition(ask):
    return lambda **when: ask("/v1/units/U-1/condition", **when)


def doubts(condition):
    return [d["code"] for d in condition["discrepancies"]]


AFTER = {"occurred_at": at(70)}
ENDS = {
    "a receipt": [f.received(**AFTER)],
    "work": [f.work_done("AC-ADJ", **AFTER)],
    "a part fitted": [f.fitted("bearing", **AFTER)],
    "a part removed": [f.removed("bearing", **AFTER)],
    "a setting": [f.entry("setting.left", {"setting": "gib", "value": f.q("30", "N")}, **AFTER)],
    "a defect of a blocking check": [f.check_answered("guards", "defect", job=JOB, **AFTER)],
    "a blocking finding": [f.finding_raised(blocking=True, **AFTER)],
    "a final run that failed": [run("R-7", "55", **AFTER)],
    "a reopened job": [
        f.entry("job.closed", {"job": JOB}, job=JOB, occurred_at=at(68)),
        f.job_opened(JOB, occurred_at=at(70)),
    ],
}
STAYS = {
    "a scan": [f.scanned(**AFTER)],
    "a look": [f.work_done("AC-INS", **AFTER)],
    "a defect of a check that does not block": [f.check_answered("labels", "defect", job=JOB, **AFTER)],
    "a blocking check that is in order": [f.check_answered("guards", "ok", job=JOB, **AFTER)],
    "a finding that does not block": [f.finding_raised("F-1", **AFTER)],
    "a final run that passed": [run("R-7", **AFTER)],
    "a final run off its conditions": [run("R-7", "55", supply="5.0", **AFTER)],
    "a reading": [f.reading("0.12", **AFTER)],
    "a move": [f.entry("unit.moved", {"site": "south-shed"}, **AFTER)],
    "another job": [f.job_opened("J-2", **AFTER)],
    "the hours": [f.meter_read("12", **AFTER)],
}


@pytest.mark.parametrize("what", ENDS)
def test_what_takes_it_out_of_ready(tell, signed, condition, what):
    assert "ready" == condition()["standing"]
    tell(*[entry | {"id": f.entry_id(800 + n)} for n, entry in enumerate(ENDS[what])])
    found = condition()
    assert "in_shop" == found["standing"]
    assert "after the release" in found["standing_why"][0]["why"]
    assert "ready" == condition(true_at=at(65))["standing"]


@pytest.mark.parametrize("what", STAYS)
def test_what_leaves_it_ready(tell, signed, condition, what):
    tell(*[entry | {"id": f.entry_id(800 + n)} for n, entry in enumerate(STAYS[what])])
    assert "ready" == condition()["standing"]


def test_dispatched_after_a_failed_run_is_dispatched_unreleased_until_released(tell, signed, condition, client):
    tell(run("R-7", "55", **AFTER), f.dispatched(occurred_at=at(75)))
    assert ["dispatched-unreleased"] == doubts(condition())
    tell(f.received(occurred_at=at(80)))
    assert [] == doubts(condition())


def test_dispatched_ready_is_not(tell, signed, condition):
    tell(run("R-7", **AFTER), f.dispatched(occurred_at=at(75)))
    assert ([], "out") == (doubts(condition()), condition()["standing"])


def test_a_signature_without_a_session_is_kept_and_never_makes_it_ready(tell, condition, client_of):
    tell(*prepared(checks=EXTRA))
    tell(*job_done())
    answer = client_of("signatory").post("/v1/units/U-1/releases", json=body())
    assert (201, {"by": "none"}) == (answer.status_code, answer.json["signed"])
    found = condition()
    assert (["signature-unproved"], "on_hold") == (doubts(found), found["standing"])


# What overtakes a release: the gate of its own moment, by what is known now


@pytest.fixture
def today(ask):
    return lambda **when: ask("/v1/releases/REL-1/today", **when)


def test_today_says_the_same_while_nothing_was_heard_of(tell, signed, today):
    tell(
        f.reading("0.25", **AFTER), f.received(occurred_at=at(90)), f.finding_raised(blocking=True, occurred_at=at(95))
    )
    found = today()
    assert (found["issued"], []) == (found["today"], found["differences"])
    assert (True, []) == (found["still_good"], found["blocks"])


def test_a_corrected_reading_overtakes_it_and_the_certificate_stays(tell, signed, today, condition, ask):
    read = next(e for e in ask("/v1/units/U-1/history")["entries"] if e["type"] == "reading.taken")
    data = read["data"] | {"readings": [{"value": "0.34"}]}
    (wrong,) = tell(f.superseded(read, data, occurred_at=at(80)))
    found = today()
    (difference,) = found["differences"]
    assert ("readings TST-BL", "0.10", "0.34") == (
        difference["what"],
        difference["then"]["value"],
        difference["now"]["value"],
    )
    assert (False, ["beyond-limit"]) == (found["still_good"], codes(found))
    assert signed["certificate"] == found["issued"] == ask("/v1/releases/REL-1")["certificate"]
    assert "verdict-overtaken" in doubts(condition())
    assert "on_hold" == condition()["standing"]
    before = today(known_index=wrong["index"])
    assert (True, []) == (before["still_good"], before["differences"])
    assert "ready" == condition(known_index=wrong["index"])["standing"]
    tell(f.withdrawn(wrong, occurred_at=at(85)))
    assert (True, "verdict-overtaken" in doubts(condition())) == (today()["still_good"], False)


def test_a_correction_that_changes_no_verdict_is_told_and_holds_nothing(tell, signed, today, condition, ask):
    read = next(e for e in ask("/v1/units/U-1/history")["entries"] if e["type"] == "reading.taken")
    tell(f.superseded(read, read["data"] | {"readings": [{"value": "0.12"}]}, occurred_at=at(80)))
    found = today()
    assert (True, ["readings TST-BL"]) == (found["still_good"], [d["what"] for d in found["differences"]])
    assert (["late-after-release"], "ready") == (doubts(condition()), condition()["standing"])


def test_a_dispute_laid_afterwards_on_what_it_rested_on_overtakes_it_until_it_is_settled(
    tell, signed, today, condition, ask
):
    """CONTRACT C: `verdict-overtaken` when not `still_good`; nothing was there when it was signed, so no defect."""
    (read,) = (e for e in ask("/v1/entries", subject="unit:U-1")["entries"] if e["type"] == "reading.taken")
    (dispute,) = tell(f.disputed(read, occurred_at=at(90)))
    assert (False, ["disputed"]) == (today()["still_good"], codes(today()))
    assert (["disputed", "verdict-overtaken"], "on_hold") == (doubts(condition()), condition()["standing"])
    assert [] == doubts(condition(known_index=dispute["index"]))
    tell(f.settled(read, occurred_at=at(95)))
    assert (True, [], "ready") == (today()["still_good"], doubts(condition()), condition()["standing"])


def test_a_dispute_on_what_came_after_it_is_a_look_alike(tell, signed, today, condition):
    (read,) = tell(f.reading("0.12", **AFTER))
    tell(f.disputed(read, occurred_at=at(90)))
    assert (True, ["disputed"]) == (today()["still_good"], doubts(condition()))


def test_a_late_fact_that_is_disputed_stays_a_late_fact(tell, signed, condition):
    (late,) = tell(f.scanned(occurred_at=at(30)))
    assert ["late-after-release"] == doubts(condition())
    tell(f.disputed(late, occurred_at=at(90)))
    assert ["disputed", "late-after-release", "verdict-overtaken"] == sorted(doubts(condition()))
    tell(f.settled(late, occurred_at=at(95)))
    assert ["late-after-release"] == doubts(condition())


def test_a_gauge_found_out_afterwards_overtakes_it_until_it_is_signed_again(tell, client, condition, today):
    tell(*prepared(checks=EXTRA))
    read = f.reading("0.05", characteristic="TST-AC", uom="mm", stage="as_left", gauge=f.GAUGE, job=JOB)
    tell(*job_done(), read | {"occurred_at": at(41)})
    assert 201 == client.post("/v1/units/U-1/releases", json=body()).status_code
    out = f.gauge_calibrated(occurred_at=at(120))
    out["data"]["as_found"] = [{"at": "0.50", "error": "0.050"}]
    (found,) = tell(out)
    assert (False, ["not-proved"]) == (today()["still_good"], codes(today()))
    assert "on_hold" == condition()["standing"]
    assert "ready" == condition(known_index=found["index"])["standing"]
    again = f.reading("0.05", characteristic="TST-AC", uom="mm", stage="as_left", job=JOB, occurred_at=at(130))
    tell(again)
    signed = client.post("/v1/units/U-1/releases", json=body(id=f.entry_id(901), release="REL-2", occurred_at=at(140)))
    assert (201, "ready") == (signed.status_code, condition()["standing"])


def test_a_sound_calibration_afterwards_is_a_look_alike(tell, signed, today, condition):
    tell(f.gauge_calibrated(occurred_at=at(120)))
    assert (True, "ready") == (today()["still_good"], condition()["standing"])


def test_an_authorisation_that_had_ended_is_flagged_and_the_release_is_no_longer_good(tell, signed, condition, today):
    ended = {"tasks": ["release"], "on": "2026-01-04", "why": "left"}
    tell(f.entry("authorisation.ended", ended, subject=f"person:{SIGNER}", occurred_at=at(90)))
    assert (False, ["not-authorised"]) == (today()["still_good"], codes(today()))
    assert (["signed-unauthorised"], "ready") == (doubts(condition()), condition()["standing"])


# Releases that came as facts


def offline(**more):
    return f.released("REL-9", more={"job": JOB} | more, by=SIGNER, occurred_at=at(60))


def test_a_clean_offline_release_is_a_release_and_its_certificate_says_late(tell, condition, ask):
    tell(*prepared(checks=EXTRA))
    recorded = tell(*job_done(), offline())
    assert [] == recorded[-1]["discrepancies"]
    assert ("ready", []) == (condition()["standing"], doubts(condition()))
    found = ask("/v1/releases/REL-9")
    assert ("late", "REL-9", SIGNER, at(60)) == (
        found["issued"],
        *(found["certificate"][k] for k in ("release", "by", "at")),
    )
    assert found["certificate"]["book"]["index"] == found["certificate"]["book"]["size"]


@pytest.mark.parametrize(
    ("left_out", "code"), [("check.answered", "check-unanswered"), ("run.recorded", "run-missing")]
)
def test_an_offline_release_over_what_nobody_did_is_released_while_blocked(tell, condition, left_out, code):
    tell(*prepared(checks=EXTRA))
    recorded = tell(*[e for e in job_done() if e["type"] != left_out], offline())
    (doubt,) = condition()["discrepancies"]
    assert [doubt] == recorded[-1]["discrepancies"]  # CONTRACT C: the recorded entry's own list has the same form
    assert ("released-while-blocked", True) == (doubt["code"], code in doubt["detail"])
    assert "on_hold" == condition()["standing"]


def test_a_release_brought_in_with_the_history_is_not_judged(tell, condition):
    tell(*prepared(checks=EXTRA))
    tell(offline() | {"source": {"kind": "history", "ref": "old ledger"}})
    assert ("ready", []) == (condition()["standing"], doubts(condition()))


def test_what_an_offline_signer_had_not_seen_is_not_on_the_certificate(tell, ask):
    tell(*prepared(checks=EXTRA))
    done = tell(*job_done())
    tell(f.finding_raised("F-1", occurred_at=at(50)), offline(seen_index=done[-1]["index"] + 1))
    assert [] == ask("/v1/releases/REL-9")["certificate"]["findings"]
    assert ["findings F-1"] == [d["what"] for d in ask("/v1/releases/REL-9/today")["differences"]]


@pytest.mark.parametrize("number", ["REL-9", "REL-9A"])
def test_a_certificate_that_nobody_asked_the_gate_for_never_changes(tell, client, store, clock, book, number):
    """CONTRACT C: it is frozen. Of an offline release and of a re-issue, whatever is heard of afterwards."""
    tell(*prepared(checks=EXTRA))
    done = tell(*job_done())
    (signed,) = tell(offline())
    tell(f.entry("release.reissued", {"release": "REL-9A", "replaces": "REL-9", "why": "smudged"}, occurred_at=at(65)))
    papers = [f"/v1/releases/{number}{ending}" for ending in ("", "/certificate.pdf")]

    def frozen(asked):
        whole, paper = (asked.get(path) for path in papers)
        return json.dumps(whole.json["certificate"]), paper.data

    first = frozen(client)
    hire = {"hire": {"from": "2026-01-06", "until": "2026-02-01"}}
    more = {"job": JOB, "release": "REL-9", "kind": "full"} | hire
    tell(
        f.superseded(done[1], done[1]["data"] | {"readings": [{"value": "0.32"}]}, occurred_at=at(80)),
        f.withdrawn(done[2], occurred_at=at(81)),
        f.disputed(done[3], occurred_at=at(82)),
        f.superseded(signed, more, at=at(2), occurred_at=at(83)),
        f.finding_raised("F-7", blocking=True, occurred_at=at(50)),
        f.sheet_issued(rev=2, changes=sheet(checks=EXTRA[:1]), occurred_at=at(0)),
        f.registered("U-2", occurred_at=EARLY),
        f.reattributed(done[4], "unit:U-2", occurred_at=at(84)),
        f.reattributed(signed, "unit:U-2", occurred_at=at(85)),
    )
    assert first == frozen(client)
    store.close()
    again = Store(store.settings, clock)
    try:
        assert first == frozen(client_with(create_app(again), token_of(again, book, "admin")))
    finally:
        again.close()


# A new number


def test_a_reissue_says_what_it_replaces_and_the_old_one_by_what_it_is_replaced(tell, signed, ask):
    read = next(e for e in ask("/v1/units/U-1/history")["entries"] if e["type"] == "reading.taken")
    tell(f.superseded(read, read["data"] | {"readings": [{"value": "0.11"}]}, occurred_at=at(80)))
    data = {"release": "REL-1A", "replaces": "REL-1", "why": "a digit was misread"}
    tell(f.entry("release.reissued", data, occurred_at=at(85)))
    old, new = ask("/v1/releases/REL-1"), ask("/v1/releases/REL-1A")
    assert ("REL-1A", "0.10") == (old["replaced_by"], old["certificate"]["readings"][0]["value"])
    assert ("REL-1", "a digit was misread") == (new["replaces"], new["why"])
    assert ("REL-1A", "0.11") == (new["certificate"]["release"], new["certificate"]["readings"][0]["value"])
    today = ask("/v1/releases/REL-1A/today")
    assert today["still_good"] is True
