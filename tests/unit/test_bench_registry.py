"""The register of benchmark figures; the figures themselves are taken by `python -m tests.bench`."""

import json

import pytest

from tests.bench import bench_append, bench_read, bench_start
from tests.bench.figures import FIGURES, Figure, Measured, NotJudged, as_json, figure, judge, peer_digest

# cat apps.py common.py group.py | sha256sum, where the peers come from
PEERS = "06b3ccd3e17e9228022213ca3b0266f71c19393eff2caa22df7b7c8e989efbd7"
ROOMS = (bench_append, bench_read, bench_start)


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


def test_what_a_machine_cannot_measure_is_not_judged_and_fails_nothing():
    def without_load(bench):
        raise NotJudged("wrk is not installed")

    verdict = judge(Figure("fake", without_load, at_least=0.9), None)
    assert "NOT JUDGED: wrk is not installed" in verdict.line()
    assert not verdict.failed
    said = as_json([verdict])["fake"]
    assert (None, None, False) == (said["ratio"], said["holds"], said["judged"])
