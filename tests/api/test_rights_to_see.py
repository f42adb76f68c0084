"""B21: which members name another party, and who reads it. The expected answers stand in rights/blanked.csv, by hand.

`other party`: the customer reads that instead; `not there`: the customer is not shown the entry at all.
"""

import csv
from pathlib import Path
from types import SimpleNamespace

import pytest

from service_api.domain.entries.registry import TYPES
from service_api.domain.forms import PartyRef
from service_api.domain.plain import alternatives, hints_of, wire_name
from service_api.domain.rights import BLANKED, ROLES
from tests import factories as make

TABLE = list(csv.DictReader((Path(__file__).parent / "rights" / "blanked.csv").read_text().splitlines()))
ANSWERS = ("identity", "card")
BEFORE, SINCE, THEN = (f"2025-0{month}-01T08:00:00+01:00" for month in (1, 2, 3))
OTHER, OWN = "party-b", "party-a"
NAMES_A_PARTY = {
    "unit.received": {"site": "north-shed", "reason": "back", "customer": OTHER},
    "unit.dispatched": {"to": OTHER},
    "unit.sold": {"to": OTHER},
    "complaint.reported": {"complaint": "C-1", "words": "slips", "mode": "MD-LST", "customer": OTHER},
    "entry.disputed": {"why": "not so", "party": OTHER},
    "lot.received": {"part_no": "P-1", "qty": 4, "supplier": OTHER},
    "part.sold": {"part_no": "P-1", "qty": 1, "to": OTHER, "dispatched_on": "2025-03-01"},
    "supplier.notified": {"claim": "CL-1", "supplier": OTHER, "finding_on": "2025-03-01", "notice_on": "2025-03-02"},
}
SHOWS = [r for r in ROLES if r not in ("customer", "erp")]


def rows(answers):
    found = [row for row in TABLE if (row["object"] in ANSWERS) == answers]
    return pytest.mark.parametrize("row", found, ids=[f"{r['object']} {r['member']}" for r in found])


def at(found, pointer):
    for name in pointer.split("/")[1:]:
        found = found[name]
    return found


def test_b21_every_member_that_names_a_party_has_its_row():
    named = {
        (type_, f"/data/{wire_name(name)}")
        for type_, known in TYPES.items()
        for name, hint in hints_of(known.body).items()
        if PartyRef in alternatives(hint)
    }
    assert named == {(r["object"], r["member"]) for r in TABLE if r["object"] not in ANSWERS}


def test_b21_the_docs_name_every_member_that_is_blanked():
    entries = {f"/entries/*{r['member']}" for r in TABLE if r["object"] not in ANSWERS}
    answers = {r["member"].removeprefix("/identity") for r in TABLE if r["object"] in ANSWERS}
    assert entries | answers == set(BLANKED)


@pytest.fixture
def told(tell, client_of):
    """U-1, of party-b, is with party-a since February; the entry of a row happens in March."""

    def record(row):
        registered = make.registered(more={"owner": OTHER}, occurred_at=THEN)
        page = tell(make.sheet_issued(occurred_at=BEFORE), registered, make.dispatched(OWN, occurred_at=SINCE))
        kind = row["object"]
        if kind == "unit.registered":
            return page[1]
        data = NAMES_A_PARTY[kind] | ({"target": page[2]["id"]} if kind == "entry.disputed" else {})
        subject = "lot:L-1" if kind in ("lot.received", "part.sold") else "unit:U-1"
        return tell(make.entry(kind, data, subject=subject, occurred_at=THEN))[0]

    bound = {"customer": {"party": OWN, "person": "cus.a"}, "erp": {"person": "erp.system"}}
    return SimpleNamespace(record=record, client=lambda role: client_of(role, **bound.get(role, {})))


@rows(answers=False)
def test_b21_an_entry_that_names_another_party_reads_as_its_row_says(row, told):
    made = told.record(row)
    for role in SHOWS:
        assert OTHER == at(told.client(role).get(f"/v1/entries/{made['id']}").json, row["member"]), role
    answer = told.client("customer").get(f"/v1/entries/{made['id']}")
    if row["customer"] == "not there":
        assert 404 == answer.status_code
        assert OTHER not in answer.text
    else:
        assert ("other party", [row["member"]]) == (at(answer.json, row["member"]), answer.json["withheld"])
        assert OTHER not in answer.text


@rows(answers=True)
def test_b21_an_answer_that_names_another_party_reads_as_its_row_says(row, told, tell):
    told.record({"object": "unit.registered"})
    tell(make.complaint_reported("C-1", occurred_at=THEN))
    away = row["member"] == "/place/party"
    if away:  # the owner asks while the unit is with somebody else
        tell(
            make.entry("unit.sold", {"to": OWN}, subject="unit:U-1", occurred_at=THEN),
            make.dispatched(OTHER, occurred_at=THEN),
        )
    path = "/v1/units/U-1" + ("/card" if row["object"] == "card" else "")
    for role in SHOWS:
        assert OTHER == at(told.client(role).get(path).json, row["member"]), role
    answer = told.client("customer").get(path)
    assert "other party" == at(answer.json, row["member"])
    assert OTHER not in answer.text
