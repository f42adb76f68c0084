"""SIGKILL at random moments under load (GOALS B1, with repeats B11, the feed B13 and real-time order B14 on top).

The long form is `python -m tests.faults`.
"""

import shutil
import time
from pathlib import Path
from types import SimpleNamespace

import pytest
from sqlalchemy import text

from service_api.app import Store
from service_api.settings import Settings
from tests import postgres
from tests.faults.checks import Clients, faults
from tests.faults.harness import ground, kills

KILLS, KILLS_ON_A_SERVER = 12, 6


def killed(on, rounds, seed):
    """All that is wrong after each round, and what was outlived."""
    print(f"seed {seed}")  # shown when the test fails
    every = list(kills(on, rounds, seed))
    assert rounds + 1 == len(every)
    assert 10 * rounds <= every[-1].acked, "hardly any load: this run proves nothing"
    return [(r.number, fault) for r in every for fault in r.faults]


def test_b1_nothing_acknowledged_is_lost_doubled_or_altered_when_the_service_is_killed(tmp_path):
    with ground(tmp_path) as on:
        assert [] == killed(on, KILLS, seed=time.time_ns())


@pytest.mark.parametrize("workers", (1, 2))
def test_b1_nothing_acknowledged_is_lost_when_the_service_before_a_server_store_is_killed(
    postgresql, tmp_path, workers
):
    with postgres.database(postgresql, f"killed_{workers}") as url, ground(tmp_path, url, workers) as on:
        assert [] == killed(on, KILLS_ON_A_SERVER, seed=time.time_ns())


# The checker, on a store that it has to find fault with


@pytest.fixture(scope="module")
def outlived(tmp_path_factory):
    """A store that outlived a kill, closed, and what its clients remember."""
    from tests.faults import harness

    folder, seen, check = tmp_path_factory.mktemp("outlived"), [], harness.faults

    def remembering(store, book, clients):
        seen.append(clients)
        return check(store, book, clients)

    with pytest.MonkeyPatch.context() as patch, ground(folder) as on:
        patch.setattr(harness, "faults", remembering)
        assert [] == killed(on, 1, seed=1)
        book = on.book
    return SimpleNamespace(folder=folder, book=book, clients=seen[-1])


@pytest.fixture
def copy(outlived, tmp_path):
    """The store's copy: .change(sql) past every seal, .faults(clients) what the checker then says."""
    folder = tmp_path / "copy"
    shutil.copytree(outlived.folder, folder, ignore=shutil.ignore_patterns("*.sock"))
    store = Store(Settings(Path(folder), f"sqlite:///{folder}/fettlebook.db", "+01:00"))
    with store.writing.begin() as connection:
        for name in connection.execute(text("SELECT name FROM sqlite_master WHERE type = 'trigger'")).scalars().all():
            connection.execute(text(f"DROP TRIGGER {name}"))

    def change(sql):
        with store.writing.begin() as connection:
            assert 1 <= connection.exec_driver_sql(sql).rowcount

    yield SimpleNamespace(change=change, faults=lambda clients: faults(store, outlived.book, clients))
    store.close()


def kinds(found):
    return {fault.partition(":")[0] for fault in found}


def test_the_checker_is_content_with_an_untouched_copy(copy, outlived):
    assert [] == copy.faults(outlived.clients)


LAST = "(SELECT max(log_index) FROM {} WHERE book = 1)"
TAMPERINGS = {
    "an acknowledged row is gone": (f"DELETE FROM entry WHERE log_index = {LAST.format('entry')}", "lost"),
    "a row in the middle is gone": ("DELETE FROM entry WHERE log_index = 9", "index"),
    "a row has other bytes": (
        "UPDATE entry SET hashed = CAST(replace(CAST(hashed AS TEXT), '\"v\":1', '\"v\":2') AS BLOB)"
        f" WHERE log_index = {LAST.format('entry')}",
        "bytes",
    ),
    "a row stands twice": (
        f"INSERT INTO entry SELECT book, log_index + 1, hashed FROM entry WHERE log_index = {LAST.format('entry')}",
        "id",
    ),
    "a number on a page is left out": (
        "UPDATE entry SET hashed = CAST(replace(CAST(hashed AS TEXT), '\"seq\":1,', '\"seq\":7,') AS BLOB)"
        " WHERE log_index > 6",
        "seq",
    ),
    "the head counts one too many": ("UPDATE log_head SET size = size + 1", "head"),
    "the root is another": ("UPDATE log_head SET root = zeroblob(32)", "root"),
    "an id leads elsewhere": ("UPDATE entry_id SET log_index = log_index - 1 WHERE log_index = 9", "ids"),
    "a receipt is gone": (f"DELETE FROM receipt WHERE log_index = {LAST.format('receipt')}", "receipts"),
    "a topic is gone": ("DELETE FROM entry_topic WHERE log_index = 9 AND relation = 0", "projection entry_topic"),
    "a state is an older one": ("UPDATE unit_state SET head_index = head_index - 1", "projection unit_state"),
}


@pytest.mark.parametrize("tampering", TAMPERINGS)
def test_b1_control_the_checker_finds(tampering, copy, outlived):
    sql, kind = TAMPERINGS[tampering]
    copy.change(sql)
    assert kind in kinds(copy.faults(outlived.clients))


def test_the_checker_finds_what_the_feed_gave_and_is_not_there(copy, outlived):
    clients = Clients(read={0: "another entry"})
    assert {"feed"} == kinds(copy.faults(clients))
