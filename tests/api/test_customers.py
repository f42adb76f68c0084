"""What a customer sees: their own units for the time in which they were theirs, other parties blanked (CONTRACT C)."""

import pytest
from sqlalchemy import event

from tests import factories as make
from tests.api.reading_back import faults, slug

JAN, FEB, MAR, APR, MAY = (f"2025-0{month}-01T08:00:00+01:00" for month in range(1, 6))


@pytest.fixture
def customer(client_of):
    return client_of("customer", party="party-a", person="cus.a")


HOURS = {"meter": "hours", "uom": "h", "start": "10.0"}
OPENED = {"job": "J-C", "purpose": "complaint", "complaint": "C-1"}
STORY = {
    "page": (JAN, make.registered(more={"owner": "party-s", "meters": [HOURS]})),
    "to b": ("2025-01-02T08:00:00+01:00", make.dispatched("party-b")),
    "b reads": ("2025-01-20T08:00:00+01:00", make.meter_read("100")),
    "home": (FEB, make.received()),
    "measured": ("2025-02-10T08:00:00+01:00", make.reading("0.11", hours="110")),
    "to a": (MAR, make.dispatched("party-a")),
    "a reads": ("2025-03-10T08:00:00+01:00", make.meter_read("130")),
    "a complains": ("2025-03-20T08:00:00+01:00", make.complaint_reported("C-1")),
    "back": (APR, make.received()),
    "mends": ("2025-04-10T08:00:00+01:00", make.entry("job.opened", OPENED, job="J-C")),
    "again to b": (MAY, make.dispatched("party-b")),
    "b reads again": ("2025-05-10T08:00:00+01:00", make.meter_read("200")),
}
THEIRS = ["to a", "a reads", "a complains", "back", "mends"]


@pytest.fixture
def hired(tell):
    """U-1 of the house: with party-b in January, with party-a in March, then home and out to party-b again."""
    tell(make.sheet_issued(occurred_at=JAN))
    told = [
        raw | {"occurred_at": moment, "id": make.entry_id(500 + n)} for n, (moment, raw) in enumerate(STORY.values())
    ]
    return dict(zip(STORY, tell(*told), strict=True))


def shown(answer):
    return [line["id"] for line in answer.json["entries"]]


def test_a_hirers_history_is_their_time_and_their_complaint(customer, hired):
    """Own = during any period dispatched to the party; answers are cut to that period and to its claims."""
    answer = customer.get("/v1/units/U-1/history")
    assert [hired[name]["id"] for name in THEIRS] == shown(answer)
    assert (5, 7) == (answer.json["count"], answer.json["withheld"])


def test_the_condition_of_a_unit_gone_home_is_that_of_the_periods_end(customer, hired, ask):
    condition = customer.get("/v1/units/U-1/condition").json
    assert "130" == condition["hours"]["value"]
    assert "2025-04-01T07:00:00" == condition["as_of"]["true_at"][:19]
    assert "200" == ask("/v1/units/U-1/condition")["hours"]["value"]
    within = customer.get("/v1/units/U-1/condition", query_string={"true_at": "2025-03-05T08:00:00+01:00"}).json
    assert "110" == within["hours"]["value"]


def test_before_it_was_theirs_the_unit_was_not_there(customer, hired):
    early = customer.get("/v1/units/U-1/condition", query_string={"true_at": "2025-02-15T08:00:00+01:00"})
    absent = customer.get("/v1/units/U-9/condition", query_string={"true_at": "2025-02-15T08:00:00+01:00"})
    assert (404, "unknown-unit") == (early.status_code, slug(early.json))
    assert absent.data.replace(b"U-9", b"U-1").replace(b'"near": ["U-1"]', b"") == early.data.replace(
        b'"near": ["U-1"]', b""
    )


def test_entries_outside_their_time_are_not_there(customer, hired):
    for name, entry in hired.items():
        expected = 200 if name in THEIRS else 404
        assert expected == customer.get(f"/v1/entries/{entry['id']}").status_code, name
    assert [hired[name]["id"] for name in THEIRS] == shown(customer.get("/v1/entries"))
    assert 200 == customer.get("/v1/jobs/J-C").status_code


def test_other_parties_read_other_party(customer, hired, tell):
    """DESIGN 12: other parties blanked; what was blanked is named."""
    assert "other party" == customer.get("/v1/units/U-1").json["owner"]
    assert "other party" == customer.get("/v1/units/U-1/card").json["identity"]["owner"]
    raw = make.disputed(hired["a reads"])
    raw["data"]["party"] = "party-b"
    (dispute,) = tell(raw)
    line = customer.get(f"/v1/entries/{dispute['id']}").json
    assert ("other party", ["/data/party"]) == (line["data"]["party"], line["withheld"])
    own = customer.get(f"/v1/entries/{hired['to a']['id']}").json
    assert "party-a" == own["data"]["to"]
    assert "withheld" not in own
    for path in ("/v1/units/U-1/history", "/v1/entries", "/v1/units/U-1/card", "/v1/units"):
        text = customer.get(path).text
        assert "party-b" not in text, path
        assert "party-s" not in text, path


def test_a_corrected_party_is_blanked_too(customer, hired, tell):
    fact = hired["to a"]
    data = {"to": "party-a", "site": "pier"}
    tell(make.superseded(hired["back"], {"site": "north-shed", "reason": "service", "customer": "party-b"}))
    tell(make.superseded(fact, data))
    text = customer.get("/v1/units/U-1/history").text
    assert "party-b" not in text
    assert "pier" in text


def test_an_owner_sees_everything_until_the_sale(client_of, tell):
    (page,) = tell(make.registered(more={"owner": "party-b"}, occurred_at=JAN))
    read, sold, later = tell(
        make.meter_read("5", occurred_at=FEB),
        make.entry("unit.sold", {"to": "party-a"}, occurred_at=MAR),
        make.meter_read("9", occurred_at=APR),
    )
    seller, buyer = client_of("customer", party="party-b"), client_of("customer", party="party-a")
    assert [page["id"], read["id"], sold["id"]] == shown(seller.get("/v1/units/U-1/history"))
    assert [sold["id"], later["id"]] == shown(buyer.get("/v1/units/U-1/history"))
    assert "other party" == seller.get(f"/v1/entries/{sold['id']}").json["data"]["to"]


def test_a_corrected_dispatch_moves_the_time(customer, hired, tell):
    tell(make.withdrawn(hired["to a"]))
    assert 404 == customer.get("/v1/units/U-1").status_code
    assert [] == customer.get("/v1/units").json["units"]


def test_the_suppliers_side_of_a_claim_is_the_houses(customer, hired, tell):
    told = tell(
        make.entry("claim.opened", {"claim": "CL-1", "complaint": "C-1"}),
        make.entry(
            "supplier.notified",
            {"claim": "CL-1", "supplier": "party-s", "finding_on": "2025-04-02", "notice_on": "2025-04-03"},
        ),
    )
    assert [200, 404] == [customer.get(f"/v1/entries/{e['id']}").status_code for e in told]


def test_a_label_of_anothers_unit_is_a_label_of_nothing(customer, hired, tell):
    tell(make.registered("U-2", more={"owner": "party-b"}), make.tag_attached("OWN-2", unit="U-2"))
    other, absent = customer.get("/v1/tags/OWN-2"), customer.get("/v1/tags/OWN-3")
    assert other.json | {"tag": ""} == absent.json | {"tag": ""}
    assert "unknown" == other.json["status"]


def test_a_shared_serial_names_no_other_unit(customer, tell):
    tell(
        make.sheet_issued(),
        make.registered(more={"owner": "party-a", "serial": "S-1"}),
        make.registered("U-2", more={"owner": "party-b", "serial": "S-1"}),
    )
    assert "U-2" not in customer.get("/v1/units/U-1/card").text


def test_a_customers_token_without_a_party_opens_nothing(client_of):
    assert 403 == client_of("customer").get("/v1/units").status_code


# What they send


def test_a_customer_reports_on_their_own_unit_as_themselves(customer, hired):
    complaint = make.complaint_reported("C-2", by="cus.a")
    assert 201 == customer.post("/v1/entries", json=complaint).status_code
    assert 200 == customer.post("/v1/entries", json=complaint).status_code


@pytest.mark.parametrize(
    "entry",
    [
        make.complaint_reported("C-2", by="cus.b"),
        make.complaint_reported("C-2", by="no.body"),
        make.complaint_reported("C-2", by="cus.a", typed_by="lou.lead"),
        make.complaint_reported("C-2", by="cus.a", typed_by="no.body"),
        make.scanned(by="cus.a"),
        make.scanned(by="cus.a", unit="U-9"),
        make.lot_received(by="cus.a"),
    ],
    ids=[
        "another customer",
        "nobody",
        "typed by staff",
        "typed by nobody",
        "no customers type",
        "nor on nothing",
        "a lot",
    ],
)
def test_what_a_customer_may_not_send_is_403_whoever_it_names(customer, hired, entry):
    answer = customer.post("/v1/entries", json=entry)
    assert (403, "not-allowed") == (answer.status_code, slug(answer.json))


def test_who_is_named_and_who_is_not_there_read_the_same(customer, hired):
    named = customer.post("/v1/entries", json=make.complaint_reported("C-2", by="cus.b"))
    absent = customer.post("/v1/entries", json=make.complaint_reported("C-2", by="no.body"))
    assert named.data == absent.data


def test_another_party_is_not_asked_for(customer, hired):
    """A warning `unknown-party` would say which parties there are."""
    for party in ("party-b", "party-none"):
        entry = make.complaint_reported("C-2", by="cus.a")
        entry["data"]["customer"] = party
        assert 403 == customer.post("/v1/entries", json=entry).status_code


def test_anothers_unit_is_unknown(customer, hired, tell):
    tell(make.registered("U-2", more={"owner": "party-b"}))
    other = customer.post("/v1/entries", json=make.complaint_reported("C-2", by="cus.a", unit="U-2"))
    absent = customer.post("/v1/entries", json=make.complaint_reported("C-2", by="cus.a", unit="U-3"))
    assert (422, [("/subject", "unknown-unit")]) == (other.status_code, faults(other.json))
    assert other.data.replace(b"U-2", b"U-3") == absent.data


def test_a_meter_is_read_while_the_unit_is_theirs(customer, hired):
    inside = make.meter_read("131", by="cus.a", occurred_at="2025-03-11T08:00:00+01:00")
    after = make.meter_read("205", by="cus.a", occurred_at="2025-05-11T08:00:00+01:00")
    assert [201, 403] == [customer.post("/v1/entries", json=e).status_code for e in (inside, after)]


def test_only_what_they_see_can_be_disputed(customer, hired):
    own = make.disputed(hired["a reads"], by="cus.a")
    other = make.disputed(hired["b reads"], by="cus.a")
    absent = make.disputed(hired["b reads"] | {"id": make.entry_id(999_999)}, by="cus.a")
    first, second, third = (customer.post("/v1/entries", json=e) for e in (own, other, absent))
    assert 201 == first.status_code
    assert (422, [("/data/target", "unknown-entry")]) == (second.status_code, faults(second.json))
    assert second.data == third.data


@pytest.mark.parametrize(
    ("path", "denied", "absent"),
    [
        ("/v1/units/{}", "U-2", "U-9"),
        ("/v1/units/{}/card", "U-2", "U-9"),
        ("/v1/units/{}/history", "U-2", "U-9"),
        ("/v1/jobs/{}", "J-2", "J-9"),
        ("/v1/entries/{}", make.entry_id(700), make.entry_id(999)),
        ("/v1/attachments/{}", "a" * 64, "b" * 64),
    ],
)
def test_b25_what_is_anothers_is_looked_for_no_further_than_what_is_not_there(
    customer, hired, tell, store, book, path, denied, absent
):
    """GOALS B25: nothing leaked by time. The same statements, whether it is another's or not there."""
    photo = {"sha256": "a" * 64, "media_type": "application/json", "bytes": 2, "name": "photo"}
    tell(
        make.registered("U-2", more={"owner": "party-b"}, occurred_at=JAN),
        make.job_opened("J-2", unit="U-2", occurred_at=FEB) | {"id": make.entry_id(700)},
        *(make.meter_read(str(100 + n), unit="U-2", job="J-2", attachments=[photo]) for n in range(5)),
    )
    read = []

    def note(connection, cursor, statement, parameters, *_):
        read.append((statement, str(parameters).replace(denied, "?").replace(absent, "?")))

    event.listen(store.reading, "before_cursor_execute", note)
    customer.get(path.format(absent))  # some of it is read once
    asked = {}
    for name in (denied, absent):
        read.clear()
        assert 404 == customer.get(path.format(name)).status_code
        asked[name] = list(read)
    assert asked[denied] == asked[absent] != []
