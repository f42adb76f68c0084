"""One order for all who write and read at once (B11 to B14)."""

import time
from types import SimpleNamespace

import pytest
from sqlalchemy import create_engine, text

from tests import postgres
from tests.faults import order
from tests.faults.checks import Clients, order_faults
from tests.faults.harness import feed_faults, ground

CROWDED, HOT, REPEATED, TIMES = 1600, 25, 60, 8


@pytest.fixture(params=("sqlite", "postgresql", "postgresql, two processes"))
def on(request, tmp_path):
    if request.param == "sqlite":
        with ground(tmp_path) as found:
            yield found
        return
    server = request.getfixturevalue("postgresql")
    workers = 2 if "two" in request.param else 1
    with postgres.database(server, f"order_{time.time_ns()}") as url, ground(tmp_path, url, workers) as found:
        yield found


@pytest.fixture
def embedded(tmp_path):
    with ground(tmp_path) as found:
        yield found


def test_b13_b14_the_feed_of_a_crowd_leaves_nothing_out_and_keeps_the_order_of_real_time(on):
    found, acked = order.crowd(on, CROWDED, time.time_ns())
    assert [] == found
    assert acked >= CROWDED * 0.8, "repeats of what others sent are no new entries"


def test_b13_control_an_order_given_before_the_commit_is_missed_by_who_pulls(postgresql):
    """Two transactions of which the first to take a number is the last to commit; a cursor has passed it by then."""
    with postgres.database(postgresql, "sequence") as url:
        engine = create_engine(url)
        with engine.begin() as connection:
            connection.execute(text("CREATE TABLE event (position bigserial PRIMARY KEY, words text)"))
        with engine.connect() as slow, engine.connect() as quick, engine.connect() as reader:
            slow.execute(text("INSERT INTO event (words) VALUES ('slow')"))
            quick.execute(text("INSERT INTO event (words) VALUES ('quick')"))
            quick.commit()
            pull = text("SELECT position FROM event WHERE position > :at ORDER BY position")
            pages = [list(reader.execute(pull, {"at": 0}).scalars())]
            reader.rollback()
            slow.commit()
            pages.append(list(reader.execute(pull, {"at": max(pages[0])}).scalars()))
        engine.dispose()
    assert [[2], []] == pages, "position 1 is never seen"
    assert ["feed: 2 came where 1 was next"] == feed_faults(1, pages[0], 2)


def test_b14_control_an_entry_that_overtook_an_acknowledged_one_is_found():
    """B was sent after A was acknowledged and stands before it; C was under way at the same time as both."""
    acked = {"A": b'{"index":5}', "B": b'{"index":4}', "C": b'{"index":3}'}
    times = {"A": (0.0, 1.0), "B": (2.0, 3.0), "C": (0.5, 4.0)}
    assert ["order: B at 4 was sent after 5 was acknowledged"] == order_faults(Clients(acked=acked, times=times))


def test_b12_of_a_crowd_that_sends_one_id_one_is_told_201_and_another_content_409(on):
    found = order.hot_keys(on, HOT, time.time_ns())
    assert [] == found.faults
    assert {201: HOT}.items() <= found.statuses.items()
    assert {200, 201, 409} == set(found.statuses)


def test_b12_control_a_service_that_knows_no_id_is_found(embedded):
    assert order.hot_keys(embedded, 3, 1, "know no id").faults


def test_b11_an_entry_that_is_delivered_many_times_is_there_once_with_one_answer(embedded):
    assert [] == order.repeated(embedded, REPEATED, TIMES, time.time_ns())


def test_b11_control_a_service_that_takes_a_repeat_for_new_is_found(embedded):
    found = order.repeated(embedded, 5, 4, 1, restarts=0, plant="number again")
    assert any("answered in two ways" in words for words in found)


def test_the_lossy_network_does_all_that_it_is_there_for(embedded):
    """A proxy whose every request passed would prove nothing."""
    seen = SimpleNamespace(cut=0, asked=0)
    ask, cut = order._ask, order._cut
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(order, "_ask", lambda *a: (setattr(seen, "asked", seen.asked + 1), ask(*a))[1])
        patch.setattr(order, "_cut", lambda *a: (setattr(seen, "cut", seen.cut + 1), cut(*a))[1])
        assert [] == order.repeated(embedded, 20, 3, 5, restarts=0)
    assert seen.cut > 3
    assert seen.asked > 40
