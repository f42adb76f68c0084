"""The power goes at any moment (B3): what the disk holds then opens, is sound, and has what was acknowledged."""

import random
import time

import pytest

from tests.faults import power
from tests.faults.power import Event, Recording

IMAGES = 500


def test_b3_no_disk_that_a_power_cut_may_leave_lacks_an_acknowledged_entry(tmp_path, strace):
    seed = time.time_ns()
    print(f"seed {seed}")  # shown when the test fails
    found = power.outlive(tmp_path, IMAGES, seed)
    assert [] == found.faults
    assert IMAGES == found.images


def test_b3_control_a_store_that_syncs_less_loses_acknowledged_entries(tmp_path, strace):
    """https://www.sqlite.org/pragma.html#pragma_synchronous: with NORMAL a commit might roll back after power loss."""
    found = power.outlive(tmp_path, IMAGES // 5, 1, "PRAGMA synchronous=NORMAL")
    assert 0 < found.lost


# The maker of images, on files whose every content can be listed


def torn(*events, number=400):
    """Every state of the file `f` that images of this recording show at their end; it held 1,024 times `a` before."""
    recording = Recording({"f": b"a" * 1024}, list(events))
    found = power.images(recording, number, random.Random(1))
    return {_short(image.files.get("f")) for image in found if image.event == len(events)}


def _short(content):
    return None if content is None else "".join(chr(content[n]) for n in range(0, len(content), 512))


def test_what_was_not_synced_is_torn_at_512_bytes():
    assert {"aa", "ab", "ba", "bb"} == torn(Event("write", "f", 0, b"b" * 1024))


def test_what_was_synced_is_there():
    assert {"bb"} == torn(Event("write", "f", 0, b"b" * 1024), Event("sync", "f"))


def test_a_later_write_may_come_before_an_earlier_one():
    found = torn(Event("write", "f", 0, b"b" * 512), Event("write", "f", 512, b"c" * 512))
    assert {"aa", "ba", "ac", "bc"} == found


def test_a_sector_that_was_written_twice_holds_any_of_the_three():
    assert {"aa", "ba", "ca"} == torn(Event("write", "f", 0, b"b" * 512), Event("write", "f", 0, b"c" * 512))


def test_a_file_grows_with_or_without_its_content():
    assert {"aa", "aab", "aa\0"} == torn(Event("write", "f", 1024, b"b" * 512))


def test_a_file_is_cut_or_not():
    assert {"aa", "a"} == {state.rstrip("\0") for state in torn(Event("size", "f", 512))}


@pytest.mark.parametrize("synced", (False, True))
def test_a_file_is_gone_for_certain_once_the_folder_is_synced(synced):
    events = [Event("unlink", "f")] + [Event("folder")] * synced
    assert ({None} if synced else {None, "aa"}) == torn(*events)
