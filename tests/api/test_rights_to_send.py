"""B21: what each role may send, cell by cell. The expected answers stand in rights/sends.csv, kept by hand."""

import csv
import json
from itertools import count
from pathlib import Path
from types import SimpleNamespace

import pytest

from service_api.app import Store
from service_api.directory import people
from service_api.domain.entries.registry import TYPES
from service_api.domain.rights import ROLES
from service_api.permits import Sender
from service_api.wire.entries import read_draft
from tests.conftest import NOON, FakeClock, settings_in

HERE = Path(__file__).parent
TABLE = {row["type"]: row for row in csv.DictReader((HERE / "rights" / "sends.csv").read_text().splitlines())}
EXAMPLES = {f.stem: json.loads(f.read_text("utf-8")) for f in (HERE.parent / "vectors" / "entries").glob("*.json")}
CELLS = [(type_, role) for type_ in TABLE for role in ROLES]
IDS = count(1)
AT = "2026-01-05T09:00:00+01:00"


def test_every_type_and_every_role_has_its_cell():
    """A new type without a row fails here."""
    assert {t.name for t in TYPES.values() if not t.computed} == TABLE.keys()
    assert set(ROLES) | {"type"} == next(iter(TABLE.values())).keys()
    words = {"yes", "no", "own", "unidentified", "lot", "owned"}
    assert set() == {cell for row in TABLE.values() for role, cell in row.items() if role != "type"} - words


@pytest.fixture(scope="module")
def world(migrated, tmp_path_factory):
    """A book with M-1 of party-a and M-2 of party-b, and one person of each role, named after it."""
    import shutil

    folder = tmp_path_factory.mktemp("rights") / "book"
    shutil.copytree(migrated, folder)
    store = Store(settings_in(folder), FakeClock(NOON))
    book = store.new_book("rights.example/depot", "+01:00")
    with store.writing.begin() as connection:
        for role in ROLES:
            people.add_person(connection, book.number, role, role.title(), role)
        for ident, role in (("p1", "admin"), ("p2", "manager"), ("p3", "bench")):
            people.add_person(connection, book.number, ident, ident, role)
        for party in ("party-a", "party-b", "party-s"):
            people.add_party(connection, book.number, party, party)

    def record(entry, sender):
        (outcome,) = store.recorder(book.number).record([read_draft(entry)], sender)
        return "recorded" if outcome.status == "recorded" else outcome.refusal.slug

    made = SimpleNamespace(store=store, book=book, record=record)
    admin = Sender("t-admin", vouches=True)
    for unit, owner in (("M-1", "party-a"), ("M-2", "party-b"), ("G-1", "party-s")):
        entry = example("unit.registered", by="p1", subject=f"unit:{unit}")
        entry["data"] |= {"owner": owner}
        assert "recorded" == record(entry, admin)
    yield made
    store.close()


def example(type_, **envelope):
    ident = f"00000000-0000-7000-8000-{next(IDS):012d}"
    entry = {k: v for k, v in EXAMPLES[type_].items() if k not in ("device", "seen_index", "typed_by")}
    return json.loads(json.dumps(entry | {"id": ident, "occurred_at": AT} | envelope))


def sender(role, by=None):
    """A token of the role; a system's is bound to the person that sends."""
    bound = by or role if role in ("erp", "customer") else None
    party = "party-a" if role == "customer" else None
    return Sender(f"t-{role}", vouches=role == "admin", role=role, person=bound, party=party)


def entries(world, type_, by, cell):
    """An entry of the type under which the cell's condition holds, and one under which it does not (None: it always
    does)."""
    right, wrong = example(type_, by=by), example(type_, by=by)
    if type_ == "unit.registered":
        right["subject"], wrong["subject"] = f"unit:N-{next(IDS)}", f"unit:N-{next(IDS)}"
        right["data"]["origin"] = "unidentified"
    if type_ == "hold.lifted":
        right["data"]["hold"] = "lot-imbalance:00000000-0000-7000-8000-000000000001"
    if TYPES[type_].corrects:
        right["data"]["target"] = target(world, by)
        wrong["data"]["target"] = target(world, "p1")
    if type_ == "unit.sold":  # it is still party-a's for the cells that follow
        right["data"]["to"] = wrong["data"]["to"] = "party-a"
    if cell == "owned":
        wrong["subject"] = "unit:M-2"
        if type_ == "entry.disputed":
            wrong["data"]["target"] = target(world, "p1", "unit:M-2")
    return right, wrong


def target(world, by, subject="unit:M-1"):
    """A fact of today; by whoever may send none, an admin's word for them."""
    by = by if by in ("bench", "stand", "signatory", "lead", "manager", "quality", "admin") else "p1"
    entry = example("reading.taken", by=by, subject=subject)
    entry.pop("job", None)
    entry["data"].pop("second", None)  # a signature stays as it is, whatever supersedes the fact
    assert "recorded" == world.record(entry, Sender("t-admin", vouches=True))
    return entry["id"]


SENDERS = {
    "by a token of the role": lambda role: sender(role),
    "vouched for by an admin's token": lambda role: Sender("t-admin", vouches=True),
}


@pytest.mark.parametrize("how", SENDERS)
@pytest.mark.parametrize(("type_", "role"), CELLS)
def test_b21_a_role_sends_what_its_cell_says(world, type_, role, how):
    """The role of `by` decides with an admin's token too. Ownership is of the token: an admin's has no party."""
    cell = TABLE[type_][role]
    right, wrong = entries(world, type_, role, cell)
    whose = SENDERS[how](role)
    if cell == "no":
        assert ("not-allowed", "not-allowed") == (world.record(right, whose), world.record(wrong, whose))
        return
    assert "recorded" == world.record(right, whose)
    if cell == "yes" or (cell == "owned" and whose.party is None):
        assert "recorded" == world.record(wrong, whose)
    elif cell == "owned":
        assert "unknown-unit" == world.record(wrong, whose), "another's unit is as unknown as none"
    else:
        assert "not-allowed" == world.record(wrong, whose)


@pytest.mark.parametrize(("type_", "role"), [c for c in CELLS if c[1] not in ("customer", "erp")])
def test_b21_a_token_limits_what_anybody_may_send_with_it(world, type_, role):
    """The same cells, asked of the token: `by` is somebody who may send everything."""
    cell = TABLE[type_][role]
    right, wrong = entries(world, type_, "admin", cell)
    assert ("not-allowed" if cell == "no" else "recorded") == world.record(right, sender(role))
    if cell not in ("no", "yes"):
        assert "not-allowed" == world.record(wrong, sender(role))


def test_b21_control_a_role_too_many_is_seen(world, monkeypatch):
    """The table can fail: a bench hand who may plan services is found."""
    monkeypatch.setattr("service_api.permits._sends", lambda role: dict.fromkeys(TYPES, "always"))
    assert "recorded" == world.record(example("service.planned", by="bench"), sender("bench"))
