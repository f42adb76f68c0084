"""The register of benchmark figures; the figures themselves are taken by `python -m tests.bench`."""

import json

import pytest

from tests.bench import (
    bench_access,
    bench_append,
    bench_late,
    bench_proof,
    bench_pull,
    bench_read,
    bench_redraw,
    bench_start,
)
from tests.bench.figures import FIGURES, Figure, Measured, NotJudged, as_json, as_table, figure, judge, peer_digest

# cat apps.py common.py group.py s5_feed.py | sha256sum, where the peers come from
PEERS = "6ee219d91e5a00f112338af9497f3270d1408f520ffdef47239a6261b2ac3871"
ROOMS = (bench_access, bench_append, bench_late, bench_proof, bench_pull, bench_read, bench_redraw, bench_start)


def taken(*values):
    return lambda bench: Measured(values)


def test_every_figure_has_a_name_and_one_bound():
    assert len(FIGURES) >= 11
    for name, one in FIGURES.items():
        assert name == one.name.strip() != ""
        assert (one.at_least is None) != (one.at_most is None)
        assert one.measure.__module__ in {room.__name__ for room in ROOMS}


def test_the_peers_are_those_that_the_goals_were_set_against():
    assert PEERS == peer_digest()


def test_a_figure_without_a_bound_or_under_a_taken_name_is_refused():
    with pytest.raises(ValueError, match="one bound"):
        figure("a figure of this test")(taken(1.0))
    with pytest.raises(ValueError, match="a name of its own"):
        figure(next(iter(FIGURES)), at_least=1)(taken(1.0))


def test_json_names_the_ratio_the_bound_and_whether_it_holds():
    slow = judge(Figure("fake", taken(0.5, 0.7, 0.6), at_least=0.9), None)
    said = json.loads(json.dumps(as_json([slow])))
    assert ["fake"] == list(said)
    assert {"ratio": 0.6, "at_least": 0.9, "holds": False} == {
        k: said["fake"][k] for k in ("ratio", "at_least", "holds")
    }
    assert {"spread": [0.5, 0.7], "rounds": 3, "peer_digest": PEERS}.items() <= said["fake"].items()
    assert slow.failed


def test_at_most_bounds_from_above():
    assert not judge(Figure("fake", taken(1.35), at_most=1.35), None).failed
    assert judge(Figure("fake", taken(1.36), at_most=1.35), None).failed


def test_a_figure_that_is_not_judged_yet_fails_nothing():
    assert not judge(Figure("fake", taken(0.1), at_least=0.9, judged=False), None).failed


def test_an_aim_that_is_demanded_fails_the_run_like_a_bound():
    values = taken(0.9)
    assert not judge(Figure("fake", values, at_least=0.8, aim=0.95), None).failed
    missed = judge(Figure("fake", values, at_least=0.8, aim=0.95, demanded=True), None)
    assert missed.failed
    assert "MISSES ITS AIM" in missed.line()
    assert not judge(Figure("fake", values, at_least=0.8, aim=0.9, demanded=True), None).failed
    assert judge(Figure("fake", values, at_most=1.0, aim=0.8, demanded=True), None).failed
    with pytest.raises(ValueError, match="can be demanded"):
        figure("a figure of this test", at_least=1, demanded=True)(taken(1.0))


def test_the_table_of_the_readme_has_bound_aim_and_spread():
    """Hand-written: what the three values of one figure come to."""
    fast = judge(Figure("fake", taken(0.95, 0.97, 0.92), at_least=0.9, aim=0.94, demanded=True, goal=9), None)
    row = as_table([fast]).splitlines()[-1]
    assert "| 9 | fake | >= 0.9 (aim 0.94, demanded) | 0.95 (0.92..0.97) | reaches its aim |" == row


def test_every_goal_of_this_slice_has_its_figures():
    """PERFORMANCE 5: goals 1 to 14 and 24, and the list of how each should grow."""
    assert {1, *range(3, 15), 20, 24} <= {f.goal for f in FIGURES.values()}
    assert 6 <= sum(name.startswith("growth: ") for name in FIGURES)


def test_what_a_machine_cannot_measure_is_not_judged_and_fails_nothing():
    def without_load(bench):
        raise NotJudged("wrk is not installed")

    verdict = judge(Figure("fake", without_load, at_least=0.9), None)
    assert "NOT JUDGED: wrk is not installed" in verdict.line()
    assert not verdict.failed
    said = as_json([verdict])["fake"]
    assert (None, None, False) == (said["ratio"], said["holds"], said["judged"])
