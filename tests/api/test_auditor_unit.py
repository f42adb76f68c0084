"""Two programs that share no code derive one history: the service, and the auditor from the texts of the book."""

import pytest
from fettlebook_audit.checker import checked
from fettlebook_audit.copies import Copy
from fettlebook_audit.fetching import fetch
from fettlebook_audit.units import against_service, unit_of

from tests import factories as make
from tests.faults.tampering import Served

EARLY, LATE = "2026-01-03T08:00:00+01:00", "2026-01-05T10:00:00+01:00"


@pytest.fixture
def audited(app, store, book, client_of, tmp_path, client):
    """What the auditor finds of a unit against the service, from a fresh copy."""
    client.get("/v1/log/checkpoint")
    token = client.environ_base["HTTP_AUTHORIZATION"].removeprefix("Bearer ")
    served = Served(app, token)
    copy = Copy(tmp_path / "copy")
    copy.trust(str(store.keys(book).published()[-1].verifier))

    def run(unit):
        assert [] == fetch(copy, served).faults == checked(copy).faults
        found = unit_of(copy, unit)
        return found, [fault.line() for fault in against_service(found, served)]

    return run


@pytest.fixture
def told(standing_unit, tell):
    """Late, corrected, contested, moved, withdrawn again, disputed, sold."""
    reading = make.reading("0.24", gauge=make.GAUGE)
    tell(
        make.received(occurred_at="2026-01-03T09:00:00+01:00"),
        reading,
        make.meter_read("3", occurred_at=EARLY),
        make.scanned(device={"id": "d-1", "seq": 4, "clock_offset_ms": 90_000}),
        make.scanned(device={"id": "d-1", "seq": 3}),
    )
    better = make.superseded(reading, reading["data"] | {"readings": [{"value": "0.20"}]})
    other = make.superseded(reading, reading["data"] | {"readings": [{"value": "0.19"}]}, by="mia.manager")
    tell(better, other, make.annotated(reading))
    tell(make.withdrawn(better))
    moved = make.scanned()
    tell(moved)
    move = make.reattributed(moved, "unit:U-2")
    tell(move, make.disputed(reading), make.dispatched(occurred_at=LATE))
    return {"reading": reading, "move": move}


@pytest.mark.parametrize("unit", ["U-1", "U-2", make.GAUGE])
def test_corrections_moves_and_custody_follow_from_the_texts_alone(audited, told, unit):
    found, faults = audited(unit)
    assert [] == faults
    if unit == "U-1":
        assert {None, "superseded", "moved_out", "withdrawn"} <= {line.mark for line in found.lines}
        assert ("party-a", None) == (found.custody[-1].party, found.custody[-1].owner)


def test_what_was_moved_back_is_where_it_was(audited, told, tell):
    tell(make.withdrawn(told["move"]))
    for unit in ("U-1", "U-2"):
        found, faults = audited(unit)
        assert ([], True) == (faults, {"moved_in", "moved_out"}.isdisjoint(line.mark for line in found.lines))


def test_merged_pages_are_one_history_while_the_merge_stands(audited, told, tell):
    data = {"into": "U-1", "why": "one iron", "evidence": ["engraving"]}
    (merged,) = tell(make.entry("unit.merged", data, by=make.SECOND, subject="unit:U-2", occurred_at=LATE))
    found, faults = audited("U-1")
    assert ([], True) == (faults, "unit:U-2" in {line.entry["subject"] for line in found.lines})
    tell(make.withdrawn(merged, by=make.SECOND))
    found, faults = audited("U-1")
    assert ([], True) == (faults, {"unit:U-1"} == {line.entry["subject"] for line in found.lines})


def test_an_answer_that_was_altered_beneath_is_told(audited, told, store):
    with store.writing.begin() as connection:
        connection.exec_driver_sql("DELETE FROM entry_topic WHERE topic = 'unit:U-1' AND log_index = 7")
    _, faults = audited("U-1")
    assert ["MISSING entry 7: the service's history lacks it"] == faults
