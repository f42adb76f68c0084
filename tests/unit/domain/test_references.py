"""Under which subjects an entry is found (DESIGN section 5, last paragraph)."""

import json

import pytest

from service_api.domain.entries.registry import TYPES
from service_api.domain.references import Reference, named_subjects, references
from service_api.wire.entries import read_draft
from tests import factories as f
from tests.unit.test_entry_examples import EXAMPLES


def of(raw):
    return read_draft(raw, computed=TYPES[raw["type"]].computed).entry


def test_a_reading_is_found_under_its_gauge_and_its_people():
    entry = of(f.reading("0.1", gauge="G-1", more={"second": "lou.lead"}, typed_by="bob.bench"))
    assert [
        Reference("person", "ada.bench", "/by"),
        Reference("person", "bob.bench", "/typed_by"),
        Reference("unit", "G-1", "/data/gauge"),
        Reference("person", "lou.lead", "/data/second"),
    ] == references(entry)


def test_a_fit_is_found_under_every_lot_and_assembly_and_where_it_came_from():
    pieces = [f.piece(lot="L-1"), f.piece(lot="L-2", unit="A-7")]
    raw = f.fitted("feed-nut", *pieces)
    raw["data"]["from"] = "unit:U-9"
    found = {(r.kind, r.ident, r.pointer) for r in references(of(raw))} - {("person", f.PERSON, "/by")}
    assert {
        ("lot", "L-1", "/data/pieces/0/lot"),
        ("lot", "L-2", "/data/pieces/1/lot"),
        ("unit", "A-7", "/data/pieces/1/unit"),
        ("unit", "U-9", "/data/from"),
    } == found


def test_a_place_that_is_no_unit_names_nothing():
    assert [Reference("person", f.PERSON, "/by")] == references(of(f.removed(to="scrap")))


def test_an_alert_is_found_under_the_units_and_lots_of_its_scope():
    raw = f.alert_issued(scope={"lots": ["L-1"], "units": ["U-1", "U-2"], "serials": ["S-1"], "classes": ["TST"]})
    assert ["person:qi.quality", "lot:L-1", "unit:U-1", "unit:U-2"] == named_subjects(of(raw))


def test_a_move_names_the_subject_it_goes_to():
    raw = f.reattributed(f.scanned(), "unit:U-2")
    assert Reference("unit", "U-2", "/data/to") in references(of(raw))


def test_a_subject_is_named_once_and_never_its_own():
    raw = f.fitted("feed-nut", f.piece(lot="L-1"), f.piece(lot="L-1", unit="U-1"))
    assert ["person:ada.bench", "lot:L-1"] == named_subjects(of(raw))


def test_a_party_is_an_id_of_the_directory_and_no_subject():
    entry = of(f.dispatched("party-a"))
    assert Reference("party", "party-a", "/data/to") in references(entry)
    assert ["person:ada.bench"] == named_subjects(entry)


# By reading the example: which ids of other things each names, `by` (p1) aside.
NAMED = {
    "unit.registered": ["party:party-a"],
    "unit.merged": ["unit:M-2", "person:p2"],
    "unit.retired": ["person:p2"],
    "run.recorded": ["unit:G-1"],
    "part.fitted": ["lot:L-1", "unit:M-1", "unit:M-2", "person:p2"],
    "lot.received": ["party:party-s"],
    "part.sold": ["party:party-a"],
    "alert.answered": ["unit:M-1"],
    "goodwill.granted": ["person:p2"],
    "supplier.notified": ["party:party-s"],
    "entry.reattributed": ["unit:M-2", "person:p2"],
    "entry.disputed": ["party:party-a"],
    "tag.scanned": [],
    "claim.opened": [],
    "sheet.issued": [],
}


@pytest.mark.parametrize("name", NAMED)
def test_the_examples_name_what_they_show(name):
    assert NAMED[name] == [f"{r.kind}:{r.ident}" for r in references(of(EXAMPLES[name])) if r.pointer != "/by"]


@pytest.mark.parametrize("name", TYPES)
def test_every_pointer_leads_to_the_id_that_it_stands_for(name):
    raw = EXAMPLES[name]
    for reference in references(of(raw)):
        found = json.loads(json.dumps(raw))
        for part in reference.pointer.split("/")[1:]:
            found = found[int(part)] if isinstance(found, list) else found[part]
        assert found in (reference.ident, f"{reference.kind}:{reference.ident}")
