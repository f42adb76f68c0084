"""What a book says of its gauges and slots; the sums stand beside the checks."""

from decimal import Decimal as D

import pytest
from pytest import approx

from service_api.calc.recurrence import mean_cumulative
from service_api.calc.refused import Refused
from service_api.domain.spares import Life, lives_of
from service_api.domain.studies import book_study, doubles, replacement_age, slot_history
from tests import factories as f
from tests.histories import on, revision, true

ROW = revision().sheet.characteristic("TST-BL")
PAGE = f.registered(occurred_at=on("01-01 00:00"))


def taken(value, at, by="ada.bench", **more):
    return f.reading(value, occurred_at=on(at), by=by, **more)


def pairs(*raws):
    return doubles("U-1", true(PAGE, *raws), ROW)


def test_two_readings_of_one_state_are_a_pair_whoever_took_them():
    found = pairs(
        taken("0.10", "02-01 09:00"),
        taken("0.12", "02-01 10:00"),
        taken("0.20", "03-01 09:00"),
        taken("0.21", "03-01 11:00", by="bob.bench"),
    )
    assert [((D("0.10"), D("0.12")), True), ((D("0.20"), D("0.21")), False)] == [
        (pair.values, pair.same_person) for pair in found
    ]


def test_a_reading_stands_in_one_pair_only():
    assert 1 == len(pairs(*(taken("0.10", f"02-01 {hour:02d}:00") for hour in (9, 10, 11))))


@pytest.mark.parametrize(
    "between",
    [
        f.work_done("AC-CLN", occurred_at=on("02-01 09:30")),
        f.fitted("feed-nut", occurred_at=on("02-01 09:30")),
        f.entry(
            "setting.left", {"setting": "drag", "value": f.q("30", "N")}, unit="U-1", occurred_at=on("02-01 09:30")
        ),
    ],
    ids=["work", "part", "setting"],
)
def test_what_was_done_between_parts_the_readings(between):
    assert [] == pairs(taken("0.10", "02-01 09:00"), between, taken("0.12", "02-01 10:00"))


def test_another_stage_another_day_and_another_characteristic_make_no_pair():
    assert [] == pairs(taken("0.10", "02-01 09:00"), taken("0.12", "02-01 10:00", stage="as_left"))
    assert [] == pairs(taken("0.10", "02-01 09:00"), taken("0.12", "02-02 09:01"))
    assert [] == pairs(taken("0.10", "02-01 09:00"), taken("0.12", "02-01 10:00", characteristic="TST-AC", uom="mm"))


def test_another_uom_is_turned_into_the_rows():
    """36 degrees of a circle are 0.1 turn."""
    (pair,) = pairs(taken("0.10", "02-01 09:00"), taken("36", "02-01 10:00", uom="deg"))
    assert (D("0.10"), D("0.1")) == pair.values


def test_repeatability_and_reproducibility_are_worked_by_hand():
    """Differences of 0.02 and 0.04 by one person: s_r = sqrt((0.02**2 + 0.04**2) / (2 * 2)) = 0.02236. Two people
    differ by 0.06 twice: sqrt(2 * 0.06**2 / 4) = 0.04243.
    """
    same = [taken("0.10", "02-01 09:00"), taken("0.12", "02-01 10:00"), taken("0.20", "03-01 09:00")]
    same.append(taken("0.24", "03-01 10:00"))
    two = [taken("0.10", "04-01 09:00"), taken("0.16", "04-01 10:00", by="bob.bench")]
    two += [taken("0.20", "05-01 09:00"), taken("0.26", "05-01 10:00", by="bob.bench")]
    study = book_study(pairs(*same, *two))
    assert study.repeatability is not None and study.reproducibility is not None
    assert (approx(0.0223607, rel=1e-5), approx(0.0424264, rel=1e-5)) == (
        study.repeatability.s_r,
        study.reproducibility.s_r,
    )


def test_one_pair_is_no_study():
    study = book_study(pairs(taken("0.10", "02-01 09:00"), taken("0.12", "02-01 10:00")))
    assert (None, None) == (study.repeatability, study.reproducibility)


def failed_at(*hours, end=1000):
    raws = [PAGE, f.meter_read("0", occurred_at=on("01-01 08:00"))]
    for month, at in enumerate(hours, start=2):
        raws.append(f.meter_read(str(at), occurred_at=on(f"{month:02d}-01 09:00")))
        raws.append(f.fitted("feed-nut", occurred_at=on(f"{month:02d}-01 09:20")))
        out = {"slot": "feed-nut", "to": "scrap", "finding": "F-1"}
        raws.insert(-1, f.entry("part.removed", out, unit="U-1", occurred_at=on(f"{month:02d}-01 09:10")))
    raws.append(f.meter_read(str(end), occurred_at=on("11-01 09:00")))
    return true(*raws)


def test_failures_in_a_slot_become_a_history_by_the_hours_of_the_unit():
    history = slot_history("U-1", failed_at(200, 500), "feed-nut")
    assert history is not None
    assert ([200.0, 500.0], 1000.0) == (history.events, history.end)
    assert (1.0, 2.0) == mean_cumulative([history]).mcf
    assert [] == slot_history("U-1", failed_at(200, 500), "bearing").events


def test_a_unit_without_hours_has_no_history():
    assert slot_history("U-1", true(PAGE), "feed-nut") is None


def test_the_age_to_replace_at_is_found_from_the_lives_in_the_book():
    """Lives of 300, 250, 270, 230 h, one running 100 h; a planned change at a twentieth of a failure pays early."""
    lives = lives_of("U-1", failed_at(200, 500, 750, 1020, 1250, end=1350))
    assert [("failed", 300.0), ("failed", 250.0), ("failed", 270.0), ("failed", 230.0), ("running", 100.0)] == [
        (life.end, life.hours) for life in lives
    ]
    found = replacement_age(lives, 1, 20)
    assert found.interval is not None and 50 < found.interval < 250
    assert 0 < found.saving < 1


def test_too_few_failures_for_an_age_are_refused_with_the_reason():
    sound = Life(("P-1",), "U-1", "feed-nut", 1, "e", 100.0, "running", None, None)
    with pytest.raises(Refused) as refusal:
        replacement_age([sound], 1, 5)
    assert "no-failure" == refusal.value.reason
