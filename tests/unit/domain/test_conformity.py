"""The verdict on a reading, row by row of CONTRACT C (Outcome) and JOB.md 1.8. Every expected word is theirs."""

from decimal import Decimal as D

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service_api.domain.conformity import Edges, judge
from service_api.domain.entries.jobs import Reading
from service_api.domain.forms import Chosen, Quantity, Unknown
from service_api.domain.matters import Taken
from service_api.domain.records import replace
from tests.histories import at, calibration, context, gauge, on, revision, row

MARKS = {"worse": "higher", "adjust": "0.10", "watch": "0.20", "replace": "0.30"}
MIRRORED = {"worse": "lower", "adjust": "-0.10", "watch": "-0.20", "replace": "-0.30"}
GUARDED = {"rule": "guarded", "uncertainty": "0.02"}


def taken(*values, uom="mm", u=None, gauge=None, moment="01-05 09:00"):
    readings = tuple(Reading(value=v if isinstance(v, Unknown) else D(v)) for v in values)
    return Taken(
        entry="r",
        index=0,
        at=at(moment),
        occurred_at=on(moment),
        by="ada.bench",
        stage="as_found",
        uom=uom,
        readings=readings,
        order=(-1, 0),
        gauge=gauge,
        uncertainty=u,
    )


def verdict(reading, baseline=None, gauges=None, **members):
    return judge(reading, row(**members), revision(), context(gauges=gauges or {}), baseline)


def outcome(value, **members):
    found = verdict(taken(value), **members)
    return (found.outcome, *found.also)


# Limits


@pytest.mark.parametrize(
    ("value", "simple", "guarded"),
    [
        ("0.00", ("good",), ("good",)),
        ("0.10", ("good",), ("good",)),  # exactly at a mark is not past it
        ("0.11", ("adjust",), ("adjust",)),
        ("0.20", ("adjust",), ("adjust",)),
        ("0.21", ("watch", "adjust"), ("watch", "adjust")),
        ("0.28", ("watch", "adjust"), ("watch", "adjust")),  # at the acting limit 0.30 - 0.02
        ("0.29", ("watch", "adjust"), ("not_proved", "watch", "adjust")),
        ("0.30", ("watch", "adjust"), ("not_proved", "watch", "adjust")),
        ("0.31", ("replace", "watch", "adjust"), ("replace", "not_proved", "watch", "adjust")),
    ],
)
def test_the_first_mark_that_is_passed_is_the_outcome_and_the_lesser_ones_stand_beside_it(value, simple, guarded):
    assert simple == outcome(value, **MARKS)
    assert guarded == outcome(value, **MARKS, **GUARDED)
    other_way = format(-D(value), "f")
    assert simple == outcome(other_way, **MIRRORED)
    assert guarded == outcome(other_way, **MIRRORED, **GUARDED)


def test_the_worked_example_of_a_nut_is_not_proved():
    """JOB.md 1.8: backlash limit 0.33 turn, U 0.02, rule G, so the acting limit is 0.31; 0.32 is not proved."""
    nut = {"uom": "circ", "worse": "higher", "replace": "0.33", "uncertainty": "0.02", "rule": "guarded"}
    found = verdict(taken("0.32", uom="circ"), **nut)
    assert ("not_proved", D("0.32"), D("0.33"), D("0.31")) == (
        found.outcome,
        found.value,
        found.limit,
        found.acting_limit,
    )
    assert (D("0.02"), "guarded", 1, "circ") == (found.uncertainty, found.rule, found.sheet_rev, found.uom)
    assert "good" == verdict(taken("0.31", uom="circ"), **nut).outcome


def test_the_acting_limit_of_a_lower_limit_lies_above_it():
    """By hand: 12.5 mm, U 0.05: 12.55."""
    found = verdict(taken("12.53"), worse="lower", replace="12.5", uncertainty="0.05", rule="guarded")
    assert ("not_proved", D("12.55")) == (found.outcome, found.acting_limit)


def test_a_simple_limit_acts_where_it_stands():
    assert (D("0.30"), "simple") == (verdict(taken("0.1"), **MARKS).acting_limit, verdict(taken("0.1"), **MARKS).rule)


def test_the_uncertainty_of_the_reading_goes_before_that_of_the_sheet():
    """A reading of 0.27 with U 0.05: the limit acts at 0.25."""
    found = verdict(taken("0.27", u=Quantity(D("0.05"), "mm")), **MARKS, **GUARDED)
    assert ("not_proved", D("0.05"), D("0.25")) == (found.outcome, found.uncertainty, found.acting_limit)


def test_an_uncertainty_in_another_uom_is_converted():
    """50 um are 0.05 mm."""
    assert D("0.25") == verdict(taken("0.1", u=Quantity(D(50), "um")), **MARKS, **GUARDED).acting_limit


def test_an_uncertainty_is_a_difference_also_on_a_temperature_scale():
    """1 K of uncertainty is 1 degree Celsius, not -272.15: 80 Cel guarded by 1 K acts at 79."""
    found = verdict(
        taken("79.5", uom="Cel", u=Quantity(D(1), "K")), uom="Cel", worse="higher", replace="80", rule="guarded"
    )
    assert ("not_proved", D(79)) == (found.outcome, found.acting_limit)


def test_a_percentage_of_uncertainty_is_of_the_value():
    """2 % of 0.25 is 0.005: the limit 0.30 acts at 0.295."""
    found = verdict(taken("0.25"), worse="higher", replace="0.30", rule="guarded", uncertainty_percent="2")
    assert (D("0.005"), D("0.295")) == (found.uncertainty, found.acting_limit)


# Windows


@pytest.mark.parametrize(
    ("value", "simple", "guarded"),
    [
        ("19", "adjust", "adjust"),
        ("20", "good", "not_proved"),  # the edge belongs to the window; guarded it is inside by less than U
        ("22", "good", "not_proved"),
        ("23", "good", "good"),
        ("47", "good", "good"),
        ("48", "good", "not_proved"),
        ("50", "good", "not_proved"),
        ("51", "adjust", "adjust"),
    ],
)
def test_outside_a_window_is_to_be_adjusted_and_near_its_edge_not_proved(value, simple, guarded):
    """A drag of 20 to 50 N, U 3 N: it acts from 23 to 47."""
    window = {"kind": "window", "uom": "N", "low": "20", "high": "50", "uncertainty": "3"}
    assert (simple,) == outcome_of(verdict(taken(value, uom="N"), **window))
    found = verdict(taken(value, uom="N"), **window, rule="guarded")
    assert (guarded,) == outcome_of(found)
    assert (Edges(low=D(20), high=D(50)), Edges(low=D(23), high=D(47))) == (found.limit, found.acting_limit)


def outcome_of(found):
    return (found.outcome, *found.also)


def test_a_window_may_be_open_at_one_end():
    assert "good" == verdict(taken("1000"), kind="window", low="20").outcome
    assert "adjust" == verdict(taken("19"), kind="window", low="20").outcome


# Undecided


def test_without_a_limit_nothing_is_decided():
    found = verdict(taken("0.1"), worse="higher")
    assert ("undecided", D("0.1"), "the sheet states no limit") == (found.outcome, found.value, found.why)
    assert "undecided" == verdict(taken("1"), kind="window").outcome


def test_guarded_without_an_uncertainty_decides_nothing():
    assert ("undecided",) == outcome("0.1", **MARKS, rule="guarded")
    assert ("undecided",) == outcome("0.1", kind="window", low="0", high="1", rule="guarded")


def test_a_value_that_is_not_known_decides_nothing_and_says_why():
    found = verdict(taken("0.1", Unknown("out of reach")), **MARKS)
    assert ("undecided", "a value is not known: out of reach") == (found.outcome, found.why)
    assert "undecided" == verdict(taken(Unknown("dropped")), **MARKS).outcome


def test_too_few_positions_decide_nothing_unless_the_part_is_done():
    """CONTRACT C, Odd readings. One of three places is enough to show that a part is past its limit."""
    three = MARKS | {"positions": ["a", "b", "c"]}
    assert ("undecided", ()) == (verdict(taken("0.05"), **three).outcome, verdict(taken("0.25", "0.1"), **three).also)
    assert "undecided" == verdict(taken("0.25", "0.1"), **three).outcome
    assert "replace" == verdict(taken("0.31"), **three).outcome
    assert "good" == verdict(taken("0.05", "0.05", "0.05"), **three).outcome
    assert "good" == verdict(taken("0.05", "0.05", "0.05", "0.05"), **three).outcome, (
        "more than asked is a warning only"
    )


def test_a_reading_of_another_kind_decides_nothing():
    assert "undecided" == verdict(taken("9", uom="N"), **MARKS).outcome


# Gauges


def with_gauge(*calibrations, value="0.05", **more):
    return verdict(taken(value, gauge="G-1"), gauges={"G-1": gauge(*calibrations)}, **MARKS | more)


def test_a_sound_gauge_in_date_decides():
    """On its due day it still counts (CONTRACT C, Gate)."""
    found = with_gauge(calibration("01-01 09:00", due="2026-01-05"))
    assert ("good", "ok") == (found.outcome, found.gauge_state)


def test_a_gauge_overdue_on_the_day_decides_nothing():
    found = with_gauge(calibration("01-01 09:00", due="2026-01-04"))
    assert ("undecided", "overdue", D("0.05")) == (found.outcome, found.gauge_state, found.value)
    assert "overdue" == with_gauge(calibration("01-06 09:00")).gauge_state, "calibrated only afterwards"
    assert "overdue" == verdict(taken("0.05", gauge="G-9"), **MARKS).gauge_state, "never calibrated here"


def test_no_gauge_decides_nothing_where_one_is_needed():
    assert ("undecided", "none") == (
        verdict(taken("0.05"), **MARKS, needs_gauge=True).outcome,
        verdict(taken("0.05"), **MARKS, needs_gauge=True).gauge_state,
    )
    assert "good" == verdict(taken("0.05"), **MARKS).outcome


def test_a_gauge_that_is_too_coarse_decides_nothing():
    """U 0.05 of the span 0.30 - 0.06 = 0.24 is more than a quarter (0.208); without `new` it is not judged."""
    coarse = calibration("01-01 09:00", uncertainty="0.07")
    assert "too-coarse" == with_gauge(coarse, new=["0.03", "0.06"]).gauge_state
    assert "undecided" == with_gauge(coarse, new=["0.03", "0.06"]).outcome
    assert "ok" == with_gauge(calibration("01-01 09:00", uncertainty="0.06"), new=["0.03", "0.06"]).gauge_state
    assert "ok" == with_gauge(coarse).gauge_state


def test_a_gauge_out_of_its_range_decides_nothing():
    """The reading or the limit outside the range; its ends belong to it."""
    assert "out-of-range" == with_gauge(calibration("01-01 09:00", range=["0.06", "1"])).gauge_state
    assert "out-of-range" == with_gauge(calibration("01-01 09:00", range=["0", "0.29"])).gauge_state
    assert "ok" == with_gauge(calibration("01-01 09:00", range=["0.05", "0.30"])).gauge_state


def test_a_gauge_found_out_later_does_not_change_the_outcome():
    found = with_gauge(calibration("01-01 09:00"), calibration("02-01 09:00", error="0.030"))
    assert ("good", "found-out") == (found.outcome, found.gauge_state)


def test_an_undecided_reading_says_the_state_of_its_gauge_too():
    sound = {"G-1": gauge(calibration("01-01 09:00"))}
    unknown = taken("0.1", Unknown("out of reach"), gauge="G-1")
    assert ["ok", "ok"] == [
        verdict(unknown, gauges=sound, **MARKS).gauge_state,
        verdict(taken("205", gauge="G-1"), gauges=sound, **STRETCH).gauge_state,
    ]


def test_a_gauge_in_another_uom_is_judged_in_its_own():
    """0.05 mm are 0.00197 in: inside 0 to 0.4 in, and 0.30 mm too."""
    inch = calibration("01-01 09:00", uom="[in_i]", range=["0", "0.4"])
    assert "ok" == with_gauge(inch).gauge_state
    assert "out-of-range" == with_gauge(calibration("01-01 09:00", uom="[in_i]", range=["0", "0.01"])).gauge_state


# Lead: a length becomes turns

SCREW = {"uom": "circ", "worse": "higher", "replace": "0.33", "lead": {"value": "2.0", "uom": "mm"}}


def test_a_length_becomes_turns_by_the_lead_of_the_screw():
    """0.70 mm on a lead of 2.0 mm per turn is 0.35 turn; 0.66 mm is 0.33, exactly at the limit."""
    found = verdict(taken("0.70"), **SCREW)
    assert ("replace", D("0.35")) == (found.outcome, found.value)
    assert "good" == verdict(taken("0.66"), **SCREW).outcome


def test_an_inch_screw_keeps_every_digit():
    """8 threads per inch: a lead of 3.175 mm; 0.0125 in are 0.3175 mm are 0.1 turn."""
    found = verdict(taken("0.0125", uom="[in_i]"), **SCREW | {"lead": {"value": "3.175", "uom": "mm"}})
    assert D("0.1") == found.value


# Baseline

STRETCH = {"worse": "higher", "watch": "1.5", "replace": "2.5", "against_baseline": True}


def test_against_a_baseline_the_change_in_per_cent_is_judged():
    """From 200 to 205 mm is 2.5 %, at the limit; 206 is 3 %."""
    first = taken("200")
    found = verdict(taken("205"), first, **STRETCH)
    assert ("watch", D("2.5"), D("205")) == (found.outcome, found.change, found.value)
    assert "replace" == verdict(taken("206"), first, **STRETCH).outcome
    assert "good" == verdict(taken("199"), first, **STRETCH).outcome


def test_without_a_baseline_nothing_is_decided():
    assert "undecided" == verdict(taken("205"), **STRETCH).outcome


def test_the_sheet_s_uncertainty_is_in_per_cent_against_a_baseline():
    """Story S14 of JOB.md section 8: 2.5 % acts at 2.3 with U 0.2 %; 2.4 % is not proved."""
    found = verdict(taken("204.8"), taken("200"), **STRETCH, rule="guarded", uncertainty="0.2")
    assert ("not_proved", D("2.3")) == (found.outcome, found.acting_limit)


def test_a_reading_s_own_uncertainty_is_divided_by_the_baseline():
    """0.8 mm of 200 mm are 0.4 %: 2.5 acts at 2.1; 204.3 is 2.15 %."""
    own = Quantity(D("0.8"), "mm")
    found = verdict(taken("204.3", u=own), taken("200"), **STRETCH, rule="guarded", uncertainty="0.2")
    assert ("not_proved", D("0.4"), D("2.1")) == (found.outcome, found.uncertainty, found.acting_limit)


def test_a_percentage_of_the_value_is_of_the_baseline_too_in_the_end():
    """1 % of 205 mm is 2.05 mm, of the baseline 200 mm 1.025 %."""
    found = verdict(taken("205"), taken("200"), **STRETCH, rule="guarded", uncertainty_percent="1")
    assert D("1.025") == found.uncertainty


def test_an_uncertainty_of_another_kind_is_none_and_never_our_fault():
    wrong = Quantity(D(1), "N")
    assert "undecided" == verdict(taken("0.1", u=wrong), **MARKS, **GUARDED).outcome
    assert "undecided" == verdict(taken("205", u=wrong), taken("200"), **STRETCH, rule="guarded").outcome
    assert "undecided" == verdict(taken("205"), taken("200", uom="N"), **STRETCH).outcome, (
        "nor is a baseline of another"
    )


# Forms


@pytest.mark.parametrize(("form", "value"), [("max", "0.4"), ("min", "0.1"), ("mean", "0.2"), ("range", "0.3")])
def test_one_value_is_formed_from_several(form, value):
    """0.1, 0.1 and 0.4: greatest 0.4, least 0.1, mean 0.6 / 3, range 0.3."""
    assert D(value) == verdict(taken("0.1", "0.1", "0.4"), **MARKS | {"replace": "9"}, form=form).value


def test_a_mean_is_shown_with_one_digit_beyond_the_resolution():
    """0.10, 0.10, 0.11: 0.10333... with a resolution of 0.01 is 0.103."""
    assert D("0.103") == verdict(taken("0.10", "0.10", "0.11"), **MARKS, form="mean", resolution="0.01").value


NUMBERS = st.decimals(-9, 9, places=2)


@given(NUMBERS, NUMBERS, st.decimals(0, 2, places=2))
def test_guarding_never_makes_a_verdict_milder(value, limit, u):
    order = ("good", "adjust", "watch", "not_proved", "replace")
    members = {"worse": "higher", "replace": str(limit)}
    simple = verdict(taken(str(value)), **members).outcome
    guarded = verdict(taken(str(value)), **members, rule="guarded", uncertainty=str(u)).outcome
    assert order.index(simple) <= order.index(guarded)


@given(NUMBERS, NUMBERS, NUMBERS, NUMBERS, st.decimals(0, 2, places=2))
def test_the_lower_direction_is_the_mirror_of_the_higher(value, replace, watch, adjust, u):
    up = {"worse": "higher", "replace": replace, "watch": watch, "adjust": adjust}
    down = {k: v if k == "worse" else -v for k, v in up.items()} | {"worse": "lower"}
    text = [{k: str(v) for k, v in m.items()} | {"rule": "guarded", "uncertainty": str(u)} for m in (up, down)]
    assert outcome_of(verdict(taken(str(value)), **text[0])) == outcome_of(verdict(taken(str(-value)), **text[1]))


# Words where there is nothing to measure (JOB.md 2.5, HTT-RC: none; any is replace)

CRACKS = {
    "kind": "choice",
    "uom": "1",
    "rule": "guarded",
    "choices": [
        {"word": "none", "outcome": "good"},
        {"word": "scratch", "outcome": "watch"},
        {"word": "any", "outcome": "replace"},
    ],
}


def chosen(*words, **more):
    readings = tuple(Reading(value=w if isinstance(w, Unknown) else Chosen(w)) for w in words)
    return verdict(replace(taken(uom="1"), readings=readings), **(CRACKS | more))


@pytest.mark.parametrize(
    ("words", "outcome"),
    [(["none"], "good"), (["scratch"], "watch"), (["any"], "replace"), (["none", "any", "scratch"], "replace")],
)
def test_the_worst_word_decides_and_no_limit_is_quoted(words, outcome):
    found = chosen(*words)
    assert (outcome, None, None, None, None) == (found.outcome, found.value, found.limit, found.acting_limit, found.why)


def test_a_word_that_the_sheet_does_not_offer_decides_nothing_unless_another_condemns():
    assert ("undecided", "the sheet offers none, scratch, any") == (chosen("hairline").outcome, chosen("hairline").why)
    assert "undecided" == chosen(Unknown("not cleaned"), "none").outcome
    assert "replace" == chosen("hairline", "any").outcome


def test_a_figure_for_a_choice_and_a_word_for_a_figure_are_undecided():
    assert "undecided" == verdict(taken("0", uom="1"), **CRACKS).outcome
    word = replace(taken("0.05"), readings=(Reading(value=D("0.05")), Reading(value=Chosen("fine"))))
    assert "undecided" == verdict(word, **MARKS).outcome


def test_fewer_places_than_the_sheet_asks_prove_no_good_word():
    assert "undecided" == chosen("none", positions=["left", "right"]).outcome
    assert "replace" == chosen("any", positions=["left", "right"]).outcome
