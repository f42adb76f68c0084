"""A full disk, a store that is held, a commit that fails: what the client is told is so (GOALS B4, B5)."""

import json
import os
import sqlite3
from contextlib import contextmanager

import pytest
from sqlalchemy import event

from tests.faults.full_disk import BLOCK, DISK, NoDisk, disk, filled, problem, reads_work, server_disk, shop_on

LEVELS, SERVER_LEVELS = 20, 4  # of how much is left of the disk


@contextmanager
def or_skip():
    """Where no disk can be mounted: a failure where CI says so, elsewhere a skip."""
    try:
        yield
    except NoDisk as error:
        (pytest.fail if os.environ.get("CI") == "true" else pytest.skip)(str(error))


@pytest.fixture
def small_disk(tmp_path):
    with or_skip(), disk(tmp_path / "disk", DISK) as folder:
        yield folder


@pytest.fixture
def server_on_disk(postgresql):
    with or_skip(), server_disk(postgresql) as found:
        yield found


@pytest.fixture
def shop(tmp_path):
    with shop_on(tmp_path) as found:
        yield found


def test_b5_at_every_level_a_full_disk_is_told_nothing_is_half_written_and_writing_resumes(small_disk):
    with shop_on(small_disk) as shop:
        shop.pragma("wal_autocheckpoint=8")  # so that the database file grows too, not only its log
        assert [(507, "disk-full")] * LEVELS == filled(shop, small_disk, range(LEVELS), BLOCK)


def test_b5_a_server_whose_disk_is_full_is_told_and_writing_resumes(server_on_disk, tmp_path):
    folder, url = server_on_disk
    with shop_on(tmp_path, url) as shop:
        assert [(507, "disk-full")] * SERVER_LEVELS == filled(shop, folder, range(SERVER_LEVELS), 8 * BLOCK)


def test_b5_control_half_an_entry_is_found_where_an_append_is_no_transaction(small_disk):
    with shop_on(small_disk) as shop:
        event.listen(shop.on.store.writing, "begin", lambda connection: connection.exec_driver_sql("COMMIT"))
        found = []
        for level in range(12):  # which statement finds the disk full is the disk's choice
            room = os.statvfs(small_disk)
            (small_disk / "ballast").write_bytes(bytes(room.f_bavail * room.f_frsize - level * BLOCK))
            shop.until_refused()
            (small_disk / "ballast").unlink()
            found += shop.faults()
    assert [] != found


def test_b5_a_full_store_is_told_nothing_is_kept_and_writing_resumes(shop):
    """The same without a disk of its own: SQLite is held to the pages it has."""
    shop.pragma(f"max_page_count={shop.pragma('page_count')}")
    raw, answer = shop.until_refused()
    assert (507, "disk-full") == problem(answer)
    assert (507, "disk-full") == problem(shop.post(raw))
    assert reads_work(shop)
    assert [] == shop.faults()
    shop.pragma("max_page_count=1000000")
    assert 201 == shop.post(raw).status_code
    assert [] == shop.faults()


def test_a_store_that_another_process_holds_is_busy(shop):
    shop.pragma("busy_timeout=20")
    other = sqlite3.connect(shop.on.store.writing.url.database, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    raw = shop.entry()
    answer = shop.post(raw)
    assert (503, "busy") == problem(answer)
    assert 0 < int(answer.headers["Retry-After"])
    assert reads_work(shop)
    other.execute("ROLLBACK")
    other.close()
    assert 201 == shop.post(raw).status_code


def test_a_store_that_cannot_be_written_is_busy(shop):
    shop.pragma("query_only=ON")
    raw = shop.entry()
    answer = shop.post(raw)
    assert (503, "busy") == problem(answer)
    assert "Retry-After" in answer.headers
    shop.pragma("query_only=OFF")
    assert 201 == shop.post(raw).status_code


def test_while_another_has_the_one_writing_connection_for_long_the_store_is_busy(shop, monkeypatch):
    monkeypatch.setattr(shop.on.store.writing.pool, "_timeout", 0.02)
    raw = shop.entry()
    with shop.on.store.only_writer():
        answer = shop.post(raw)
        assert (503, "busy") == problem(answer)
        assert 0 < int(answer.headers["Retry-After"])
        assert reads_work(shop)
    assert 201 == shop.post(raw).status_code


@pytest.mark.parametrize("kept", (False, True))
def test_b4_after_an_error_of_the_disk_at_the_commit_nobody_is_told_what_is_not_known(shop, monkeypatch, kept):
    """An error is no proof that nothing was kept: a disk that fails in a sync may have the commit. The same entry
    sent again is there once, either way.
    """
    raw = shop.entry()
    with failing_commit(shop, monkeypatch, kept):
        answer = shop.post(raw)
    assert (503, "outcome-unknown") == problem(answer)
    assert "Retry-After" in answer.headers
    assert (200 if kept else 201) == shop.post(raw).status_code
    assert [] == shop.faults()
    assert 1 == [e["id"] for e in shop.client.get("/v1/feed?from=0&limit=1000").json["entries"]].count(raw["id"])


@contextmanager
def failing_commit(shop, monkeypatch, kept):
    """A disk that fails in the sync of a commit; `kept` says what became of the transaction."""
    dialect = shop.on.store.writing.dialect
    do_commit = dialect.do_commit

    def failing(connection):
        if kept:
            do_commit(connection)
        error = sqlite3.OperationalError("disk I/O error")
        error.sqlite_errorcode = sqlite3.SQLITE_IOERR_FSYNC
        raise error

    with monkeypatch.context() as patch:
        patch.setattr(dialect, "do_commit", failing)
        yield


def test_b4_after_trouble_nothing_is_written_on_an_end_that_is_not_as_its_head_says(shop, monkeypatch):
    """What a disk lost under our feet is not built upon; once the end is as it should be writing goes on by itself."""
    with failing_commit(shop, monkeypatch, kept=False):
        assert (503, "outcome-unknown") == problem(shop.post(shop.entry()))
    other = sqlite3.connect(shop.on.store.writing.url.database)
    (root,) = other.execute("SELECT root FROM log_head").fetchone()
    other.execute("UPDATE log_head SET root = zeroblob(32)")
    other.commit()
    raw = shop.entry()
    answer = shop.post(raw)
    assert (503, "busy") == problem(answer)
    assert "the root is not that of the edge" in answer.json["detail"]
    assert 503 == shop.client.get("/readyz").status_code
    assert 503 == shop.post(raw).status_code, "asking twice does not wear the doubt down"
    assert reads_work(shop)
    other.execute("UPDATE log_head SET root = ?", (root,))
    other.commit()
    other.close()
    assert 200 == shop.client.get("/readyz").status_code
    assert 201 == shop.post(raw).status_code
    assert [] == shop.faults()


def test_b4_a_stream_that_meets_trouble_says_so_in_its_last_line(shop, monkeypatch):
    lines = b"\n".join(json.dumps(shop.entry()).encode() for _ in range(3))
    headers = {"Accept": "application/x-ndjson"}

    def streamed():
        answer = shop.client.post("/v1/entries", data=lines, content_type="application/x-ndjson", headers=headers)
        return [json.loads(line) for line in answer.data.splitlines()]

    with failing_commit(shop, monkeypatch, kept=False):
        (last,) = streamed()
    assert (503, "outcome-unknown") == (last["status"], last["type"].rpartition("/")[2])
    *outcomes, last = streamed()
    assert [201] * 3 == [o["status"] for o in outcomes]
    assert 3 == last["count"]
