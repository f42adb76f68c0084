"""B21, B22: what each role may ask, call by call and object by object. The expected answers stand in rights/calls.csv,
kept by hand; the calls are those of the served OpenAPI document.

Objects: `own` is of party-a, whose token the customer has; `other` is party-b's; `absent` is not there.
"""

import csv
import json
import re
from hashlib import sha256
from itertools import count
from pathlib import Path
from types import SimpleNamespace

import pytest

from service_api.directory import people, sessions, tokens
from service_api.domain.rights import ROLES
from tests import factories as make
from tests.conftest import client_with, token_of

TABLE = list(csv.DictReader((Path(__file__).parent / "rights" / "calls.csv").read_text().splitlines()))
WHO = ("stranger", "device", *ROLES)
FRESH = count(1)
HEADER = {"X-Fettlebook": "1"}
TAGS = {"own": "OWN-1", "other": "OWN-2", "absent": "OWN-9"}
RELEASES = {"own": "REL-1", "other": "REL-2", "absent": "REL-9"}
PHOTOS = {"own": b'{"of": "U-1"}', "other": b'{"of": "U-2"}', "absent": b"{}"}


def digest(which):
    return sha256(PHOTOS[which]).hexdigest()


def described(client):
    """Every call of the served document that wants a token."""
    found = client.get("/v1/openapi.json").json["paths"]
    return {
        f"{method.upper()} {path}"
        for path, operations in found.items()
        for method, said in operations.items()
        if said.get("security") != []
    }


def test_b21_every_call_of_the_served_document_has_its_rows(client):
    assert described(client) == {row["call"] for row in TABLE}


def test_b21_every_call_that_names_an_object_is_asked_for_one_that_is_not_there():
    for call in {row["call"] for row in TABLE if row["call"].startswith("GET") and "{" in row["call"]}:
        assert "absent" in {row["object"] for row in TABLE if row["call"] == call} or call.endswith("/sheet"), call


def test_b21_every_cell_is_a_status():
    assert {"call", "object", *WHO} == TABLE[0].keys()
    for row in TABLE:
        assert all(row[who] in {"200", "201", "401", "403", "404", "422"} for who in WHO), row


@pytest.fixture
def depot(app, store, book, client, clock, tell):
    """Two units of two customers, each with a job, a label, a part, a reading and a photo; and every role's client."""
    early = "2026-01-02T08:00:00+01:00"
    tell(
        make.sheet_issued(occurred_at=early),
        make.registered(more={"owner": "party-a"}, occurred_at=early),
        make.registered("U-2", more={"owner": "party-b"}, occurred_at=early),
        make.lot_received("L-1", occurred_at=early),
    )
    entries = {}
    for which, unit, job in (("own", "U-1", "J-1"), ("other", "U-2", "J-2")):
        photo = {"sha256": digest(which), "media_type": "application/json", "bytes": 13, "name": "photo"}
        found = tell(
            make.tag_attached(TAGS[which], unit=unit),
            make.job_opened(job, unit=unit),
            make.fitted(unit=unit, job=job),
            make.reading("0.20", unit=unit, job=job, attachments=[photo]),
            make.received(unit=unit),
            make.released(RELEASES[which], unit=unit, by="sig.signatory"),
        )
        entries[which] = found[3]["id"]
        address = f"/v1/attachments/{digest(which)}"
        assert client.put(address, data=PHOTOS[which], content_type="application/json").status_code == 201
    with store.writing.begin() as connection:
        people.give_badge(connection, book.number, "ada.bench", "FP.ADA", "4711")
    clients = {role: client_with(app, token_of(store, book, role, **bound(role))) for role in ROLES}
    clients["stranger"] = client_with(app, None)
    with store.writing.begin() as connection:
        _, code, _ = tokens.enrol(connection, book.number, "bench", clock())
    clients["device"] = app.test_client()
    clients["device"].post(f"/bench/enrol/{code}")
    return SimpleNamespace(
        clients=clients, entries={**entries, "absent": make.entry_id(999_999)}, store=store, book=book
    )


def bound(role):
    if role == "customer":
        return {"person": "cus.a", "party": "party-a"}
    return {"person": "erp.system"} if role == "erp" else {}


UNITS = {"own": "U-1", "other": "U-2", "absent": "U-9"}
JOBS = {"own": "J-1", "other": "J-2", "absent": "J-9"}


def ask(depot, call, which, who):
    """The call as `who`, about this object."""
    method, path = call.split(" ")
    named = {
        "unit": UNITS.get(which),
        "slot": "feed-nut",
        "characteristic": "TST-BL",
        "job": JOBS.get(which),
        "release": RELEASES.get(which),
        "class": "TST",
        "tag": TAGS.get(which),
        "ident": depot.entries.get(which) if "/entries/" in path else ("no.body" if which == "absent" else "ada.bench"),
        "digest": digest(which if which in PHOTOS else "own"),
        "gauge": "G-9" if which == "absent" else "U-2",
        "lot": "L-9" if which == "absent" else "L-1",
        "person": "no.body" if which == "absent" else "ada.bench",
        "device": "d-none",
        "book": "absent.example/book" if which == "absent" else depot.book.origin,
        "level": "0",
        "number": "000.p/3" if which == "own" else "999",
    }
    if path.startswith("/v1/devices/") and which == "own":
        named["device"] = device(depot)
    address = re.sub(r"{(\w+)}", lambda m: named[m[1]], path)
    if "label" in path and which == "absent":
        address = address.replace("OWN-9", "FT.J3K70S6ET")
    sent = {"headers": HEADER}
    n = next(FRESH)
    bodies = {
        "POST /v1/entries": [],
        "POST /v1/units/{unit}/releases": {},
        "POST /v1/tags": {"count": 1},
        "POST /v1/people": {"id": f"new.{n}", "name": "New", "role": "bench"},
        "POST /v1/people/{ident}/roles": {"role": "bench", "from_on": "2026-02-01"},
        "POST /v1/parties": {"id": f"party-{n}", "name": "New"},
        "POST /v1/devices": {"name": f"bench {n}"},
        "POST /v1/sessions": {"badge": "FP.ADA", "pin": "4711"},
    }
    if call in bodies:
        sent["json"] = bodies[call]
    if method == "PUT":
        content = json.dumps({"n": n}).encode()
        address = f"/v1/attachments/{sha256(content).hexdigest()}"
        sent |= {"data": content, "content_type": "application/json"}
    query = {
        "GET /v1/complaints/cures": {"mode": "MD-LST"},
        "GET /v1/gauges/{gauge}/fitness": {"characteristic": "TST-BL"},
        "GET /v1/log/proof/inclusion": {"index": 0},
        "GET /v1/log/proof/consistency": {"from": 1},
        "GET /v1/pieces": {"part_no": "P-1", "serial": "absent"},
        "GET /v1/spares/forecast": {"part_no": "P-1", "until": "2026-06-01"},
    }
    return depot.clients[who].open(address, method=method, query_string=query.get(call), **sent)


def device(depot):
    """A new device at which ada.bench has guessed once."""
    with depot.store.writing.begin() as connection:
        made, _, _ = tokens.enrol(connection, depot.book.number, "bench", depot.store.clock())
        sessions.count_guess(connection, depot.book.number, made.id, "FP.ADA")
    return made.id


@pytest.mark.parametrize("row", TABLE, ids=lambda row: f"{row['call']} {row['object']}")
def test_b21_each_role_is_answered_as_its_cell_says(depot, row):
    found = {who: ask(depot, row["call"], row["object"], who).status_code for who in WHO}
    assert {who: int(row[who]) for who in WHO} == found


DENIED = [
    (row["call"], who)
    for row in TABLE
    for who in WHO
    if row["object"] == "other" and row[who] in ("403", "404") and row["call"] != "GET /v1/tags/{tag}"
]


@pytest.mark.parametrize(("call", "who"), [*DENIED, ("GET /v1/tags/{tag}", "customer")])
def test_b21_denied_and_absent_are_the_same_bytes(depot, call, who):
    """What is not theirs reads to the byte as what is not there, but for the name that was asked for."""
    theirs, nothing = ask(depot, call, "other", who), ask(depot, call, "absent", who)

    def bare(answer, which):
        names = (UNITS[which], JOBS[which], TAGS[which], RELEASES[which], depot.entries[which], digest(which))
        text = answer.data.decode()
        for name in names:
            text = text.replace(name, "NAME")
        kept = {k: v for k, v in answer.headers if k not in ("ETag", "Content-Length")}
        return answer.status_code, kept, text

    assert bare(nothing, "absent") == bare(theirs, "other")


def test_b22_a_customers_lists_name_nothing_of_anybody_else(depot):
    customer = depot.clients["customer"]
    for path in ("/v1/units", "/v1/entries", "/v1/entries?subject=unit:U-2", "/v1/entries?job=J-2", "/v1/units/U-9"):
        assert b"U-2" not in customer.get(path).data.replace(b"subject=unit:U-2", b""), path
    assert ["U-1"] == [u["unit"] for u in customer.get("/v1/units").json["units"]]
    assert [] == customer.get("/v1/entries?job=J-2").json["entries"]


def test_b21_control_an_open_door_is_seen(depot, app):
    """The table can fail: with every door open to everybody, cells are wrong."""
    doors = app.extensions["doors"]
    app.extensions["doors"] = dict.fromkeys(doors, frozenset(ROLES))
    wrong = [
        row["call"] for row in TABLE if ask(depot, row["call"], row["object"], "erp").status_code != int(row["erp"])
    ]
    assert "GET /v1/people" in wrong


def test_b21_control_a_call_without_a_row_in_the_matrix_is_nobodys(app, store, book, monkeypatch):
    from service_api.app import create_app
    from service_api.domain import rights

    monkeypatch.delitem(rights.CALLS, "GET /v1/people")
    answer = client_with(create_app(store), token_of(store, book, "admin")).get("/v1/people")
    assert 403 == answer.status_code
