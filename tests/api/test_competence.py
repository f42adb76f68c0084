"""Who did and signed what, whether they were authorised that day (JOB 1.24), and question 39: may I do this alone?"""

import pytest

from tests import factories as make

ADA = "ada.bench"
MAY, JUNE = "2025-05-13T10:00:00+02:00", "2025-06-01T10:00:00+02:00"


@pytest.fixture
def lapsed(tell):
    """Story S13 in small: ada's sign-off on the class ran until 30 April, she released on 13 May, sam did on 21 May."""
    return tell(
        make.sheet_issued(
            occurred_at="2025-01-02T08:00:00+01:00",
            changes={
                "checks": [{"check": "brake", "title": "brake holds", "blocking": True, "second": True}],
                "release": {"second_person": True},
            },
        ),
        make.registered(occurred_at="2025-01-02T08:00:00+01:00"),
        make.entry(
            "authorisation.granted",
            {
                "classes": ["TST"],
                "tasks": ["bench", "release"],
                "from_on": "2025-01-02",
                "until_on": "2025-04-30",
                "level": "2",
            },
            subject=f"person:{ADA}",
            occurred_at="2025-01-02T08:00:00+01:00",
        ),
        make.reading("0.20", by=ADA, occurred_at="2025-04-30T23:30:00+01:00"),
        make.released("REL-1", by=ADA, occurred_at=MAY, more={"second": "lou.lead"}),
    )


def lines(ask, person=ADA, **query):
    return ask(f"/v1/people/{person}/work", **query)["work"]


def test_a_lapsed_signature_is_found_with_its_reason(lapsed, ask):
    """Was X authorised each day? The last day counts, the one after does not."""
    found = lines(ask)
    assert [("bench", "2025-04-30", True), ("release", "2025-05-13", False)] == [
        (line["task"], line["on"], line["authorised"]) for line in found
    ]
    assert "the authorisation ran until 2025-04-30" == found[1]["why"]
    assert ("2", "vouched") == (found[0]["level"], found[1]["signed"])
    assert 1 == ask(f"/v1/people/{ADA}/work")["unauthorised"]


def test_the_second_is_asked_for_their_own_task(lapsed, ask):
    (line,) = lines(ask, "lou.lead")
    assert ("second", "unit.released", False) == (line["task"], line["type"], line["authorised"])
    assert "never authorised for `second` on TST" == line["why"]


def test_class_task_and_days_choose(lapsed, ask):
    assert ["release"] == [line["task"] for line in lines(ask, task="release")]
    assert [] == lines(ask, **{"class": "ACH"})
    assert ["bench"] == [line["task"] for line in lines(ask, until="2025-04-30")]
    assert ["release"] == [line["task"] for line in lines(ask, **{"from": "2025-05-13"})]


def test_an_ended_authorisation_is_over_from_its_day(lapsed, tell, ask):
    """`authorisation.ended.on` is the first day without (CONTRACT C)."""
    tell(
        make.entry(
            "authorisation.granted",
            {"classes": ["*"], "tasks": ["release"], "from_on": "2025-05-01"},
            subject=f"person:{ADA}",
        ),
        make.entry(
            "authorisation.ended", {"tasks": ["release"], "on": "2025-05-14", "why": "left"}, subject=f"person:{ADA}"
        ),
        make.released("REL-2", by=ADA, occurred_at="2025-05-14T10:00:00+02:00"),
    )
    found = {line["on"]: line for line in lines(ask, task="release")}
    assert found["2025-05-13"]["authorised"]
    assert "the authorisation ended on 2025-05-14" == found["2025-05-14"]["why"]


def test_what_was_known_then_is_answered_as_then(lapsed, tell, ask):
    before = ask(f"/v1/people/{ADA}/work")["as_of"]["index"]
    tell(
        make.entry(
            "authorisation.granted",
            {"classes": ["*"], "tasks": ["release"], "from_on": "2025-05-01"},
            subject=f"person:{ADA}",
        )
    )
    assert 0 == ask(f"/v1/people/{ADA}/work")["unauthorised"]
    assert 1 == ask(f"/v1/people/{ADA}/work", known_index=before)["unauthorised"]


def test_withdrawn_work_is_no_work(lapsed, tell, ask):
    tell(make.withdrawn(lapsed[3]))
    assert ["release"] == [line["task"] for line in lines(ask)]


def test_a_page_at_a_time(lapsed, ask):
    first = ask(f"/v1/people/{ADA}/work", limit=1)
    assert (2, 1) == (first["count"], first["next"])
    assert ["release"] == [line["task"] for line in lines(ask, limit=1, cursor=1)]


def test_question_39_says_what_is_missing_and_never_a_bare_no(lapsed, ask):
    """Authorisation and second-person rule; the level held and what is needed are named."""
    then = {"true_at": "2025-04-01T10:00:00+02:00"}
    may = {line["task"]: line for line in ask("/v1/units/U-1/card", by=ADA, **then)["may"]}
    assert (True, False, "2") == (may["release"]["allowed"], may["release"]["alone"], may["release"]["level"])
    assert "a second person, authorised for `second` on TST: release" == may["release"]["needs"]
    assert ["brake"] == may["bench"]["second_person"]
    assert "an authorisation for `stand` on TST, in force on 2025-04-01" == may["stand"]["needs"]
    later = {line["task"]: line for line in ask("/v1/units/U-1/card", by=ADA)["may"]}
    assert (False, "the authorisation ran until 2025-04-30") == (later["release"]["allowed"], later["release"]["why"])


def test_question_39_alone_where_the_sheet_asks_for_nobody_else(tell, ask):
    tell(make.sheet_issued(), make.registered(), make.authorised(ADA, "bench"))
    may = {line["task"]: line for line in ask("/v1/units/U-1/card", by=ADA)["may"]}
    assert (True, True, None) == (may["bench"]["allowed"], may["bench"]["alone"], may["bench"]["needs"])


def test_nobody_is_nobody(lapsed, client, client_of):
    assert 404 == client.get("/v1/people/no.body/work").status_code
    assert 404 == client.get("/v1/units/U-1/card?by=no.body").status_code
    assert 422 == client.get("/v1/people/ada.bench/work?from=1May").status_code
    assert 403 == client_of("customer", party="party-a").get("/v1/people/ada.bench/work").status_code
