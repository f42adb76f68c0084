"""PINs are raced against the count that shuts them out; `python -m tests.faults --goal B24` is the long form."""

from typing import Any

import pytest

from service_api.directory import sessions
from tests.faults import guessing
from tests.faults.harness import ground


def test_b24_no_race_gives_a_guess_more(tmp_path):
    """GOALS B24: ten failures disable, under 64 parallel guesses, a restart and a clock that jumps."""
    with ground(tmp_path) as on:
        assert [] == guessing.races(on, 2, seed=1)


def test_b24_control_a_count_that_forgets_is_seen(tmp_path, monkeypatch):
    def forgetful(*given: Any, real: Any = sessions.count_guess) -> sessions.Guess:
        guess = real(*given)
        return sessions.Guess(guess.person, guess.pin, False)

    monkeypatch.setattr(sessions, "count_guess", forgetful)
    with ground(tmp_path) as on:
        assert 1 == len(guessing.races(on, 1, seed=1))


def test_b25_a_call_that_does_more_is_seen():
    """Welch's t over what two calls take; the long form is `--goal B25`. A test of the measure, not of the machine."""

    def work(times: int) -> Any:
        return lambda: sum(range(times))

    assert guessing.worst_t(work(1000), (work(20_000),), 60) > guessing.MOST


@pytest.mark.parametrize(("left", "right", "expected"), [([1.0, 2.0, 3.0], [2.0, 3.0, 4.0], -1.224744871391589)])
def test_the_statistic_is_welchs(left, right, expected):
    """Means 2 and 3, variances 1 and 1, three each: -1 / sqrt(1/3 + 1/3)."""
    assert expected == pytest.approx(guessing.welch(left, right))
