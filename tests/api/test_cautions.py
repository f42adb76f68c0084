"""The cautions of the card belong to purpose, slot, activity and energy of the open job (JOB.md section 7)."""

from typing import Any

import pytest

from tests import factories as f

JOB = {"job": "J-1"}
WHEN = {
    "stored": {"purposes": ["service"]},
    "nut": {"slots": ["feed-nut"]},
    "wash": {"activities": ["AC-CLN"]},
    "dust": {"activities": ["AC-DRS", "AC-RPL"], "slots": ["bearing"]},
    "run": {"activities": ["AC-TST"]},
    "air": {"energies": ["line air"]},
}


def at(hour: int) -> dict[str, str]:
    return {"occurred_at": f"2026-01-04T{hour:02d}:00:00+01:00"}


@pytest.fixture(autouse=True)
def sheets(tell: Any) -> None:
    rows = [
        {"caution": name, "words": f"of {name}", "when": when, "rests_on": "common practice, no source"}
        for name, when in WHEN.items()
    ]
    early = {"occurred_at": "2026-01-02T08:00:00+01:00"}
    tell(f.sheet_issued(changes={"cautions": rows, "release": {"final_run": True}}, **early), f.registered(**early))


@pytest.fixture
def shown(ask: Any) -> Any:
    def names(**query: Any) -> list[str]:
        return [c["caution"] for c in ask("/v1/units/U-1/card", **query)["cautions"]]

    return names


def isolated(source: str = "line air", **more: Any) -> dict[str, Any]:
    data = {"source": source, "device": "ball valve", "proof": {"method": "gauge"}}
    return f.entry("energy.isolated", data, **JOB, **more)


def test_nothing_shows_while_no_job_is_open(shown) -> None:
    assert [] == shown()


def test_opening_a_job_shows_those_of_its_purpose_and_no_others(tell, shown) -> None:
    tell(f.job_opened("J-1", **at(8)))
    assert ["stored"] == shown()


def test_what_is_done_shows_its_own_alone(tell, shown) -> None:
    tell(f.job_opened("J-1", **at(8)), f.work_done("AC-CLN", **JOB, **at(9)))
    assert ["stored", "wash", "run"] == shown(), "what was changed is run before it goes"


def test_slot_and_activity_have_to_fit_both(tell, shown) -> None:
    tell(f.job_opened("J-1", **at(8)), f.fitted("feed-nut", **JOB, **at(9)))
    assert ["stored", "nut", "run"] == shown()
    tell(f.fitted("bearing", **JOB, **at(10)))
    assert ["stored", "nut", "dust", "run"] == shown()


def test_a_finding_shows_those_of_its_slot(tell, shown) -> None:
    tell(f.job_opened("J-1", **at(8)), f.finding_raised(more={"slot": "feed-nut"}, **JOB, **at(9)))
    assert ["stored", "nut"] == shown()


def test_an_energy_shows_its_own_while_it_is_isolated_and_its_return_those_of_a_run(tell, shown) -> None:
    tell(f.job_opened("J-1", **at(8)), isolated(**at(9)))
    assert ["stored", "air"] == shown()
    tell(f.entry("energy.restored", {"source": "line air"}, **JOB, **at(10)))
    assert ["stored", "run"] == shown()


def test_what_another_job_did_before_does_not_count(tell, shown) -> None:
    tell(
        f.job_opened("J-0", "repair", **at(7)),
        f.work_done("AC-CLN", job="J-0", **at(7)),
        f.entry("job.closed", {"job": "J-0"}, **at(7)),
        f.job_opened("J-1", **at(8)),
    )
    assert ["stored"] == shown()


def test_what_was_withdrawn_or_had_not_happened_by_then_does_not_count(tell, shown) -> None:
    _, washed = tell(f.job_opened("J-1", **at(8)), f.work_done("AC-CLN", **JOB, **at(10)))
    assert ["stored"] == shown(true_at="2026-01-04T09:00:00+01:00")
    assert ["stored"] == shown(known_index=washed["index"])
    tell(f.withdrawn(washed))
    assert ["stored"] == shown()


def test_what_somebody_is_about_to_do_can_be_asked_for(tell, shown) -> None:
    tell(f.job_opened("J-1", **at(8)))
    assert ["stored", "wash"] == shown(activity="AC-CLN")
    assert ["stored", "dust"] == shown(activity="AC-DRS", slot="bearing")
    assert ["stored"] == shown()


def test_each_says_what_it_rests_on_and_the_card_ends_with_who_decides(tell, ask) -> None:
    """JOB.md section 7 words the closing line."""
    tell(f.job_opened("J-1", **at(8)))
    card = ask("/v1/units/U-1/card")
    assert [("of stored", "common practice, no source", 1)] == [
        (c["words"], c["rests_on"], c["revision"]) for c in card["cautions"]
    ]
    assert (
        "Follow the machine's manual, site rules and the persons licensed or appointed where you are."
        == (card["caution_closing"])
    )
