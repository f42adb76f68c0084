"""The audit of signatures: was everyone who signed authorised that day? (JOB.md question 27, 4.4; CONTRACT C)"""

import pytest

from tests import factories as f

pytestmark = pytest.mark.usefixtures("standing_unit")
DAY = [f"2026-01-0{n}T10:00:00+01:00" for n in range(1, 10)]


@pytest.fixture
def audit(ask):
    return lambda **query: ask("/v1/authorisations/audit", **query)


def signs(release, by, day, second=None, unit="U-1"):
    more = {"second": second} if second else None
    return f.released(release, by=by, more=more, unit=unit, occurred_at=DAY[day])


@pytest.fixture(autouse=True)
def granted(tell, clock):
    """Sig may release until 3 January, Ada from the 4th on; Lou may be second."""
    clock.set("2026-01-20T12:00:00+01:00")
    sig, *_ = tell(
        f.authorised("sig.signatory", "release", occurred_at=DAY[0]),
        f.authorised("ada.bench", "release", from_on="2026-01-04", occurred_at=DAY[0]),
        f.authorised("lou.lead", "second", occurred_at=DAY[0]),
    )
    ended = {"tasks": ["release"], "on": "2026-01-04", "why": "left the stand"}
    (end,) = tell(f.entry("authorisation.ended", ended, subject="person:sig.signatory", occurred_at=DAY[2]))
    return sig, end


def test_q27_the_day_before_the_first_day_without_still_counts(tell, audit, granted):
    """CONTRACT C: `authorisation.ended.on` is the first day without."""
    tell(signs("REL-1", "sig.signatory", 2, "lou.lead"))
    assert (2, []) == (audit()["signed"], audit()["unauthorised"])
    (bad,) = tell(signs("REL-2", "sig.signatory", 3, "lou.lead"))
    (row,) = audit()["unauthorised"]
    assert 4 == audit()["signed"]
    assert (bad["id"], "sig.signatory", "U-1", "release", "2026-01-04") == tuple(
        row[name] for name in ("entry", "person", "unit", "task", "on")
    )
    assert ("the authorisation ended on 2026-01-04", [e["id"] for e in granted]) == (row["why"], row["entries"])
    assert row["put_right_by"] is None


def test_q27_put_right_by_the_next_signature_of_somebody_authorised_on_that_unit(tell, audit):
    (bad,) = tell(signs("REL-1", "sig.signatory", 3))
    tell(signs("REL-2", "sig.signatory", 4), signs("REL-3", "ada.bench", 4, unit="U-2"))
    assert [None, None] == [row["put_right_by"] for row in audit()["unauthorised"]]
    (right,) = tell(signs("REL-4", "ada.bench", 5))
    assert [right["id"]] * 2 == [row["put_right_by"] for row in audit()["unauthorised"]]
    assert [None, None] == [row["put_right_by"] for row in audit(known_index=right["index"])["unauthorised"]]
    assert [bad["id"], None] == [
        audit()["unauthorised"][0]["entry"],
        audit(true_at=DAY[3])["unauthorised"][0]["put_right_by"],
    ]


def test_q27_the_second_person_is_a_signature_of_its_own_task(tell, audit):
    tell(signs("REL-1", "ada.bench", 4, "bob.bench"))
    (row,) = audit()["unauthorised"]
    assert (2, "bob.bench", "second", None) == (audit()["signed"], row["person"], row["task"], row["put_right_by"])
    assert "never authorised for `second` on TST" == row["why"]
    (right,) = tell(signs("REL-2", "ada.bench", 5, "lou.lead"))
    assert right["id"] == audit()["unauthorised"][0]["put_right_by"]


def test_q27_a_re_issue_is_a_signature_too(tell, audit):
    tell(signs("REL-1", "ada.bench", 4))
    again = {"release": "REL-1A", "replaces": "REL-1", "why": "name misspelt"}
    tell(f.entry("release.reissued", again, by="sig.signatory", occurred_at=DAY[5]))
    assert (2, ["REL-1A"]) == (audit()["signed"], [row["release"] for row in audit()["unauthorised"]])


def test_q27_between_two_days_both_inside(tell, audit):
    tell(*(signs(f"REL-{n}", "sig.signatory", n) for n in (3, 4, 5)))
    found = audit(**{"from": "2026-01-05", "until": "2026-01-06"})
    assert (2, ["2026-01-05", "2026-01-06"]) == (found["signed"], [row["on"] for row in found["unauthorised"]])
    assert 3 == audit()["signed"]
    assert 0 == audit(until="2026-01-03")["signed"]


def test_q27_a_signature_that_was_withdrawn_or_moved_counts_where_it_belongs(tell, audit):
    one, two = tell(signs("REL-1", "sig.signatory", 3), signs("REL-2", "sig.signatory", 4))
    tell(f.withdrawn(one, occurred_at=DAY[5]), f.reattributed(two, "unit:U-2", occurred_at=DAY[5]))
    assert [("U-2", "REL-2")] == [(row["unit"], row["release"]) for row in audit()["unauthorised"]]


def test_an_authorisation_that_was_heard_of_later_counts_for_its_days(tell, audit):
    """Judged by what is known now; `known_index` asks what was known then."""
    (bad,) = tell(signs("REL-1", "bob.bench", 4))
    tell(f.authorised("bob.bench", "release", occurred_at=DAY[8]))
    assert ([], 1) == (audit()["unauthorised"], len(audit(known_index=bad["index"] + 1)["unauthorised"]))
