"""An examination that falls inside a hire. Source: JOB.md 8.1, S12, and 1.21 (invented)."""

import pytest

from tests.conftest import client_with, token_of

UNIT = "/v1/units/ACH-002"
ASKED = "2024-09-12T16:00:00+01:00"  # the hire desk asks; nobody has examined it yet
EXAMINED = "2024-09-13T12:00:00+01:00"
HIRE = {"hire_from": "2024-09-16", "hire_until": "2024-10-14"}
SIGNED = {"job": "J-20240910-ACH-002", "by": "iska.thornwell", "second": "pell.marrowby", "kind": "full"}


def gate(demo, **query):
    return demo.ask(f"{UNIT}/gate", **(SIGNED | HIRE | query))


def exams(demo, **query):
    return demo.ask(f"{UNIT}/card", **query)["exams"]


def test_s12_examined_to_30_september_2024(demo):
    (exam,) = exams(demo, true_at=ASKED)
    assert ("thorough", "2024-09-30", True) == (exam["exam"], exam["due_next"], exam["in_date"])


def test_s12_a_hire_from_16_september_to_14_october_needs_the_examination_first(demo):
    (exam,) = exams(demo, true_at=ASKED)
    (block,) = gate(demo, true_at=ASKED)["blocks"]
    assert ("exam-due", [exam["entry"]]) == (block["code"], block["entries"])
    assert "2024-09-30" in block["why"]
    assert "quality" in block["who_may"]


def test_s12_look_alikes_a_hire_that_ends_on_the_due_day_and_none_at_all(demo):
    """CONTRACT C: on its due day an examination still counts."""
    assert [] == gate(demo, true_at=ASKED, hire_until="2024-09-30")["blocks"]
    assert [] == demo.ask(f"{UNIT}/gate", **SIGNED, true_at=ASKED)["blocks"]
    assert ["exam-due"] == [b["code"] for b in gate(demo, true_at=ASKED, hire_until="2024-10-01")["blocks"]]


def test_s12_once_it_was_examined_nothing_stands_against_the_hire(demo):
    (exam,) = exams(demo, true_at=EXAMINED)
    assert ("2024-09-13", "2025-09-13") == (exam["on"], exam["due_next"])
    assert [] == gate(demo, true_at=EXAMINED)["blocks"]


def test_s12_it_was_released_for_the_hire_and_held_by_nothing_while_out(demo):
    out = demo.ask(f"{UNIT}/condition", true_at="2024-10-14T12:00:00+01:00")
    assert ("out", "REL-20240913-ACH-002", []) == (out["standing"], out["release"]["release"], out["discrepancies"])
    assert [] == demo.ask("/v1/holds", unit="ACH-002", true_at="2024-10-14T12:00:00+01:00")["holds"]


def test_s12_without_the_examination_the_dispatch_would_have_been_kept_and_the_unit_held(demo_copy):
    """The examination of 13 September taken back: CONTRACT C, the dispatch is kept and puts the unit on hold.

    The release of that day is overtaken with it: by what is known now the gate would have named the examination.
    """
    (exam,) = exams(demo_copy, true_at=EXAMINED)
    entry = {
        "id": "01990000-0000-7000-8000-00000000c001",
        "type": "entry.withdrawn",
        "v": 1,
        "subject": "unit:ACH-002",
        "occurred_at": "2025-11-03T09:00:00+01:00",
        "by": "iska.thornwell",
        "data": {"target": exam["entry"], "why": "the certificate is of another hoist"},
    }
    assert 201 == demo_copy.client.post("/v1/entries", json=entry).status_code
    out, due = "2024-09-20T12:00:00+01:00", "2024-10-05T12:00:00+01:00"
    overtaken, hold = demo_copy.ask("/v1/holds", unit="ACH-002", true_at=out)["holds"]
    assert ("verdict-overtaken", True) == (overtaken["key"].partition(":")[0], "exam-due" in overtaken["why"])
    assert ("hire:thorough", "2024-09-16") == (hold["key"], hold["since"][:10])
    keys = [h["key"] for h in demo_copy.ask("/v1/holds", unit="ACH-002", true_at=due)["holds"]]
    assert [overtaken["key"], "exam:thorough", "hire:thorough"] == keys


# Question 33


@pytest.mark.parametrize(("day", "in_date", "due"), [
    ("2022-10-01", True, "2023-09-30"),
    ("2023-09-30", True, "2024-09-30"),
    ("2024-09-20", True, "2025-09-13"),
    ("2024-10-10", True, "2025-09-13"),
])  # fmt: skip
def test_q33_the_hoist_was_in_examination_date_on_the_day_it_was_used(demo, day, in_date, due):
    (exam,) = exams(demo, true_at=f"{day}T12:00:00+01:00")
    assert (in_date, due) == (exam["in_date"], exam["due_next"])
    assert exam["entry"] and exam["certificate"] and exam["examiner"]


def test_q33_the_customer_asks_for_a_day_of_their_own_hire(demo_copy):
    """Sound & Skerry Ferries had it from 16 September to 15 October 2024; another customer is told nothing."""
    days = [f"2024-{day}T12:00:00+01:00" for day in ("09-20", "10-10")]
    theirs, others = (customer(demo_copy, party) for party in ("sound-skerry-ferries", "cendry-slipworks"))
    for day in days:
        (exam,) = theirs.get(f"{UNIT}/card", query_string={"true_at": day}).json["exams"]
        assert (True, "2025-09-13", "2024-09-13") == (exam["in_date"], exam["due_next"], exam["on"])
        assert 404 == others.get(f"{UNIT}/card", query_string={"true_at": day}).status_code


def customer(demo, party):
    token = token_of(demo.store, demo.book, "customer", person="bertil.oake-lund", party=party)
    return client_with(demo.app, token)


def test_q33_and_was_not_before_the_first_one(demo):
    (exam,) = exams(demo, true_at="2022-09-29T12:00:00+01:00")
    assert (False, None, "no examination `thorough` is on record") == (exam["in_date"], exam["entry"], exam["why_not"])
