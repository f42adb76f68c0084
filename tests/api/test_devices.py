"""A device's own numbers and its clock: slips that are missing, a step back that nobody explains (CONTRACT B, F)."""

import pytest

from service_api.directory import tokens
from tests import factories as f
from tests.api.test_contradictions import receipt

pytestmark = pytest.mark.usefixtures("standing_unit")


def slip(seq, at, device="tab-1", moved=None, offset=0, **more):
    """A scan as the device sent it: `at` is hours and minutes by its clock."""
    said = {"id": device, "seq": seq, "clock_offset_ms": offset}
    if moved is not None:
        said["note"] = {"clock_moved_ms": moved}
    return f.scanned(occurred_at=f"2026-01-05T{at}:00+01:00", device=said, **more)


@pytest.fixture
def listed(ask):
    def read(**query):
        found = ask("/v1/discrepancies", **query)["discrepancies"]
        return [(d["code"], d["entries"]) for d in found if d["code"] in ("device-gap", "clock-back")]

    return read


def lift(key, **more):
    return f.hold_lifted(key, by=f.SECOND, subject="shop:main", occurred_at="2026-01-05T12:30:00+01:00", **more)


def test_a_missing_number_is_a_gap_until_the_slip_comes(tell, listed, ask):
    first, after = tell(slip(4, "09:00"), slip(7, "09:10", unit="U-2"))
    assert ([], ["device-gap"]) == (receipt(first), receipt(after))
    assert [("device-gap", [first["id"], after["id"]])] == listed()
    (found,) = ask("/v1/discrepancies", code="device-gap")["discrepancies"]
    assert ("shop:tab-1", None, [], "tab-1 has not sent 5 to 6", ["lead", "manager"]) == (
        found["subject"],
        found["unit"],
        found["units"],
        found["detail"],
        found["who_may"],
    )
    (late,) = tell(slip(6, "09:05"))
    assert [("device-gap", [first["id"], late["id"]])] == listed()
    tell(slip(5, "09:03"))
    assert [] == listed()
    assert [("device-gap", [first["id"], after["id"]])] == listed(known_index=after["index"] + 1)


def test_a_device_answers_which_of_its_slips_never_came(tell, ask, client, store, book):
    """DESIGN 7: did the tablet lose a slip? Numbers before the first that came are not known to be lost."""
    _, after = tell(slip(4, "09:00"), slip(7, "09:10", unit="U-2"))
    found = ask("/v1/devices/tab-1")
    assert (7, [5, 6], 2, [after["id"]]) == tuple(found[k] for k in ("last", "missing", "missing_count", "entries"))
    assert after["index"] + 1 == found["as_of"]["index"]
    tell(slip(6, "09:05"))
    assert [5] == ask("/v1/devices/tab-1")["missing"]
    assert [5, 6] == ask("/v1/devices/tab-1", known_index=after["index"] + 1)["missing"]
    assert (4, []) == tuple(
        ask("/v1/devices/tab-1", true_at="2026-01-05T09:04:00+01:00")[k] for k in ("last", "missing")
    )
    with store.writing.begin() as connection:
        made, _, _ = tokens.enrol(connection, book.number, "bench 9", store.clock())
    new = ask(f"/v1/devices/{made.id}")
    assert ("bench 9", None, [], []) == tuple(new[k] for k in ("name", "last", "missing", "entries"))
    assert 404 == client.get("/v1/devices/tab-9").status_code


def test_a_device_that_jumps_far_ahead_is_answered_briefly(tell, ask):
    tell(slip(1, "09:00"), slip(1_000_003, "09:10", unit="U-2"))
    found = ask("/v1/devices/tab-1")
    assert ([*range(2, 1002)], 1_000_001) == (found["missing"], found["missing_count"])


def test_late_slips_close_a_gap_also_after_a_restart(tell, listed, store, book):
    """What was remembered of the device is gone, and the first that it sends then is not its newest."""
    _, after = tell(slip(4, "09:00"), slip(7, "09:10", unit="U-2"))
    store.recorder(book.number).memory.forget()
    (late,) = tell(slip(5, "09:03"))
    assert [("device-gap", [late["id"], after["id"]])] == listed()
    tell(slip(6, "09:05"))
    assert [] == listed()


def test_look_alikes_of_a_gap(tell, listed):
    """A device that begins anywhere; two devices; slips that come in another order in one batch."""
    tell(slip(40, "09:00"), slip(1, "09:00", "tab-2"), slip(42, "09:20"), slip(41, "09:10"))
    assert [] == listed()


def test_a_gap_is_lifted_by_its_key_on_the_shop(tell, listed):
    _, after = tell(slip(4, "09:00"), slip(6, "09:10"))
    (lifting,) = tell(lift(f"device-gap:{after['id']}"))
    assert [] == listed()
    tell(f.withdrawn(lifting))
    assert 1 == len(listed())


def test_a_clock_that_stepped_back_against_the_running_number(tell, listed):
    before, back = tell(slip(1, "09:00"), slip(2, "08:30"))
    assert (["clock-back"], [("clock-back", [before["id"], back["id"]])]) == (receipt(back), listed())
    tell(lift(f"clock-back:{back['id']}"))
    assert [] == listed()


@pytest.mark.parametrize(
    "second",
    [
        slip(2, "08:30", moved=-1_800_000),
        slip(2, "08:30", offset=-1_800_000),
        slip(2, "08:30", source={"kind": "paper"}),
        slip(2, "09:00"),
    ],
    ids=["the note says so", "the offset says so", "typed from paper", "the same moment"],
)
def test_look_alikes_of_a_clock_that_stepped_back(tell, listed, second):
    tell(slip(1, "09:00"), second | {"id": f.entry_id(99)})
    assert [] == listed()


def test_a_note_of_a_smaller_step_explains_nothing(tell, listed):
    tell(slip(1, "09:00"), slip(2, "08:30", moved=-60_000))
    assert ["clock-back"] == [code for code, _ in listed()]
