"""Group commit: every caller is answered, with its own result, in its own order; whatever goes wrong in a batch."""

import threading
import time
from collections import Counter
from random import Random

import pytest

from service_api.log.combining import MOST, Combiner

CALLERS, CALLS = 32, 40
SECONDS = 10  # all of it takes one; a caller that is forgotten waits for ever


class Disk:
    """A slow commit that fails at times; it keeps what it committed, and sees to it that it is alone."""

    def __init__(self, seed, failing):
        self.dice, self.failing = Random(seed), failing
        self.kept, self.sizes, self.inside = [], [], 0

    def __call__(self, batch):
        self.inside += 1
        assert 1 == self.inside, "two commits at once"
        try:
            time.sleep(self.dice.choice((0, 0.0005, 0.003)))
            if self.dice.random() < self.failing:
                raise OSError("no space left")
            self.kept += batch
            self.sizes.append(len(batch))
            return [("kept", item) for item in batch]
        finally:
            self.inside -= 1


def called(combiner):
    """What each caller was answered, in the order of its calls: (item, result or error)."""
    answers = {caller: [] for caller in range(CALLERS)}
    together = threading.Barrier(CALLERS)

    def call(caller):
        together.wait()
        for n in range(CALLS):
            try:
                found = combiner.submit((caller, n))
            except OSError as error:
                found = error
            answers[caller].append(((caller, n), found))

    threads = [threading.Thread(target=call, args=(caller,), daemon=True) for caller in range(CALLERS)]
    until = time.monotonic() + SECONDS
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(max(0, until - time.monotonic()))
    assert [] == [t.name for t in threads if t.is_alive()], "callers that nobody answered"
    return answers


@pytest.mark.parametrize("seed", range(4))
def test_every_caller_is_answered_once_and_in_its_order_through_slow_commits_and_failed_ones(seed):
    disk = Disk(seed, failing=0.2)
    answers = called(Combiner(disk))
    assert {CALLS} == {len(heard) for heard in answers.values()}
    told = [item for heard in answers.values() for item, found in heard if not isinstance(found, OSError)]
    assert Counter(told) == Counter(disk.kept), "kept and told is the same"
    assert 0 < len(told) < CALLERS * CALLS, "some failed and some did not"
    for caller, heard in answers.items():
        assert [("kept", item) for item, found in heard if found == ("kept", item)] == [
            found for _, found in heard if not isinstance(found, OSError)
        ]
        mine = [n for who, n in disk.kept if who == caller]
        assert sorted(mine) == mine


def test_callers_that_wait_share_a_commit():
    disk = Disk(0, failing=0)
    called(Combiner(disk))
    assert CALLERS * CALLS == sum(disk.sizes)
    assert len(disk.sizes) < CALLERS * CALLS / 4
    assert max(disk.sizes) <= min(MOST, CALLERS)


def test_one_alone_commits_at_once():
    disk = Disk(0, failing=0)
    combiner = Combiner(disk)
    assert [("kept", n) for n in range(5)] == [combiner.submit(n) for n in range(5)]
    assert [1] * 5 == disk.sizes


def test_more_than_one_commit_holds_wait_for_the_next():
    """The first is under way while more than a commit holds queue up behind it."""
    going, sizes = threading.Event(), []

    def work(batch):
        assert going.wait(SECONDS)
        sizes.append(len(batch))
        return batch

    combiner, done = Combiner(work), []
    calls = [lambda n=n: done.append(combiner.submit(n)) for n in range(MOST + 9)]
    threads = [threading.Thread(target=call, daemon=True) for call in calls]
    for thread in threads:
        thread.start()
    until = time.monotonic() + SECONDS
    while len(combiner._queue) < MOST + 8 and time.monotonic() < until:
        time.sleep(0.001)
    going.set()
    for thread in threads:
        thread.join(SECONDS)
    assert list(range(MOST + 9)) == sorted(done)
    assert [1, MOST, 8] == sizes


def test_an_answer_short_is_an_error_for_all_of_the_batch_and_the_door_stays_open():
    answers = iter(([], ["second"]))
    combiner = Combiner(lambda batch: next(answers))
    with pytest.raises(ValueError):
        combiner.submit("first")
    assert "second" == combiner.submit("again")
