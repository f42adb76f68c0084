"""A kill at each system call of an append, a checkpoint and a migration (B2); an error of the disk at each (B4)."""

from tests.faults import calls

WRITES = 12  # of each call, the first and the last among them; every one by `python -m tests.faults --goal B2`
FAILS = 10  # the first so many writes, and as many syncs


def kinds(found):
    """What is wrong, without where."""
    return {fault.split(": ")[1] for fault in found.faults}


def test_b2_an_append_and_a_checkpoint_outlive_a_kill_at_any_call_that_changes_something(tmp_path, strace):
    found = calls.kill_at_each_call(tmp_path, calls.CHANGING, most=WRITES)
    assert [] == found.faults
    assert 15 < found.done, "hardly any call was killed at: this run proves nothing"


def test_b2_control_an_entry_that_is_acknowledged_before_its_commit_is_missed(tmp_path, strace):
    assert "lost" in kinds(calls.kill_at_each_call(tmp_path, {"pwrite64"}, "answer early", most=6))


def test_b2_a_migration_outlives_a_kill_at_every_call_that_makes_something_last(tmp_path, strace):
    found = calls.kill_a_migration(tmp_path, {"fdatasync", "fsync", "unlink", "ftruncate"}, most=WRITES)
    assert [] == found.faults
    assert 8 < found.done


def test_b2_control_a_migration_that_is_no_transaction_does_not_come_up_again(tmp_path, strace):
    assert "does not come up" in kinds(calls.kill_a_migration(tmp_path, {"fdatasync"}, "no transaction", most=6))


def test_b4_an_error_at_any_write_or_sync_is_told_as_unknown_and_the_entry_is_there_once(tmp_path, strace):
    found = calls.fail_at_each(tmp_path, FAILS)
    assert [] == found.faults
    assert {"503 outcome-unknown"} == set(found.told)
    assert FAILS < found.told.total(), "hardly any error was noticed: this run proves nothing"


def test_b4_control_a_failed_sync_that_is_taken_for_a_good_one_loses_an_acknowledged_entry(tmp_path, strace):
    assert "lost" in kinds(calls.fail_at_each(tmp_path, 1, "careless commit"))
