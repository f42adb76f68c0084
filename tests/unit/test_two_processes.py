"""Two processes on one server store: two opened stores, each with recorders, caches and connections of its own."""

import json
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import text
from sqlalchemy.exc import DBAPIError

from service_api.app import Store, create_app
from service_api.directory import tokens
from service_api.log import store as log
from service_api.log.engines import QuickReader
from service_api.log.postgresql import Line
from service_api.ops.redraw import redraw
from service_api.permits import Sender
from service_api.recording.batch import Request
from service_api.recording.recorder import refusal_of
from service_api.settings import Settings
from service_api.wire.entries import read_draft
from tests import factories as f
from tests.api.releasing import at, body, codes, job_done, prepared
from tests.conftest import client_with, new_book, token_of
from tests.faults.checks import Clients, faults

ADMIN = Sender("token-1", vouches=True)
CLIENTS, EACH = 8, 25


@pytest.fixture
def two(server_database: str, tmp_path: Path, clock) -> Iterator[tuple[Store, Store]]:
    settings = Settings(tmp_path, server_database, "+01:00")
    stores = Store(settings, clock), Store(settings, clock)
    yield stores
    for store in stores:
        store.close()


def told(recorder, *entries):
    return recorder.record([read_draft(raw) for raw in entries], ADMIN)


def numbers(outcomes):
    assert {"recorded"} == {o.status for o in outcomes}, [str(o.refusal) for o in outcomes]
    return [(o.index, json.loads(o.answer)["seq"]) for o in outcomes]


def wrong_with(two, book, clients=None):
    """Everything that is wrong with the book, by the checks of tests/faults; the projections are redrawn."""
    two[1].close()  # nobody else is connected meanwhile
    return faults(two[0], book, clients or Clients())


def both_recorders(two, origin="two.example/depot"):
    book = new_book(two[0], origin)
    return book, [store.recorder(book.number) for store in two]


def test_a_slip_that_another_process_waited_for_closes_its_gap(two):
    book, (a, b) = both_recorders(two)

    def scan(seq):
        return f.scanned(device={"id": "tab-1", "seq": seq, "clock_offset_ms": 0})

    told(a, f.registered(), scan(1))
    told(b, scan(3))
    told(a, scan(2))
    with two[0].reading.begin() as connection:
        assert 0 == connection.execute(text("SELECT count(*) FROM doubt WHERE book = :b"), {"b": book.number}).scalar()


def test_two_processes_take_turns_on_one_unit_and_nobody_meets_a_moved_head(two):
    book, (a, b) = both_recorders(two)
    assert [(0, 0)] == numbers(told(a, f.registered()))
    assert [(1, 1), (2, 2)] == numbers(told(b, f.scanned(), f.scanned()))
    assert [(3, 3)] == numbers(told(a, f.scanned()))
    read = f.reading("0.24")
    assert [(4, 0), (5, 4)] == numbers(told(b, f.sheet_issued(), read))
    assert [(6, 5)] == numbers(told(a, f.superseded(read, read["data"] | {"readings": [{"value": "0.20"}]})))
    assert [(7, 6)] == numbers(told(b, f.reading("0.22")))
    assert [] == wrong_with(two, book)


def test_what_one_refuses_or_knows_again_counts_for_the_other(two):
    """A refusal moves no head, so it must be judged by what the other process has written a moment ago."""
    _, (a, b) = both_recorders(two)
    assert ["unknown-unit"] == [found.refusal.faults[0].code for found in told(b, f.scanned())]
    first = f.registered()
    (sent,) = told(a, first)
    (again,) = told(b, first)
    assert ("again", sent.answer) == (again.status, again.answer)
    (other,) = told(b, f.registered("U-2", id=first["id"]))
    assert "id-reused" == other.refusal.slug
    assert ["already-registered"] == [found.refusal.faults[0].code for found in told(b, f.registered())]
    assert [(1, 1)] == numbers(told(b, f.scanned()))


def test_an_entry_of_another_process_makes_old_only_what_it_touched(two):
    book, (a, b) = both_recorders(two)
    told(a, f.registered(), f.registered("U-2"), f.registered("U-3"))
    told(b, f.scanned(unit="U-1"), f.scanned(unit="U-2"), f.scanned(unit="U-3"))
    kept = b.memory.stepped.get("U-2").state
    noted = f.meter_read("3", unit="U-1")
    told(a, noted)
    told(b, f.scanned(unit="U-3"))
    assert kept is b.memory.stepped.get("U-2").state
    assert "U-1" not in b.memory.stepped
    told(a, f.withdrawn(noted))  # a correction may show on any page
    told(b, f.scanned(unit="U-3"))
    assert "U-3" in b.memory.stepped
    assert "U-2" not in b.memory.stepped
    assert [] == wrong_with(two, book)


def test_two_books_in_one_store_count_for_themselves(two):
    one, (a, b) = both_recorders(two)
    other, (c, d) = both_recorders(two, "two.example/other")
    told(a, f.registered())
    numbers(told(c, f.registered(), f.scanned()))
    assert [(2, 2)] == numbers(told(d, f.scanned()))
    assert [(1, 1)] == numbers(told(b, f.scanned()))
    assert ([], []) == (wrong_with(two, one), wrong_with(two, other))


def test_clients_of_two_processes_on_the_same_units(two):
    """Eight clients, every entry sent to both processes, and every tenth id with other content too."""
    book, recorders = both_recorders(two)
    told(recorders[0], *map(f.registered, ("U-1", "U-2")))
    sent = [[f.scanned(unit=f"U-{1 + n % 2}") for n in range(EACH)] for _ in range(CLIENTS)]
    heard, wrong = {}, []
    together = threading.Barrier(CLIENTS)

    def send(number):
        together.wait()
        for n, raw in enumerate(sent[number]):
            (first,) = told(recorders[(number + n) % 2], raw)
            (again,) = told(recorders[(number + n + 1) % 2], raw)
            heard[raw["id"]] = first.answer
            if (first.status, again.status) != ("recorded", "again") or first.answer != again.answer:
                wrong.append((first, again))
            if n % 10 == 0:
                (other,) = told(recorders[number % 2], raw | {"job": "another"})
                if other.refusal is None or other.refusal.slug != "id-reused":
                    wrong.append(other)

    run = [threading.Thread(target=send, args=(n,)) for n in range(CLIENTS)]
    for thread in run:
        thread.start()
    for thread in run:
        thread.join(120)
    assert [] == wrong
    assert CLIENTS * EACH == len(heard)
    clients = Clients(acked=heard, times={i: (0.0, float("inf")) for i in heard})
    assert CLIENTS * EACH + 2 == two[1].answers(book.number).size()
    assert [] == wrong_with(two, book, clients)


def test_whoever_waits_for_the_feed_hears_what_another_process_writes(two):
    book, (a, _) = both_recorders(two)
    reader = client_with(create_app(two[1]), token_of(two[0], book, "erp"))
    found = []
    waiting = threading.Thread(target=lambda: found.append(reader.get("/v1/feed?from=0&wait=30").json))
    began = time.monotonic()
    waiting.start()
    time.sleep(0.3)
    assert [] == found, "it waits"
    told(a, f.registered())
    waiting.join(20)
    assert [1] == [answer["next"] for answer in found]
    assert time.monotonic() - began < 20, "it did not sit its wait out"
    changes = reader.get("/v1/changes?from=0&wait=30").json["changes"]
    assert [("U-1", 0)] == [(c["unit"], c["index"]) for c in changes]


def test_a_connection_that_broke_while_idle_costs_no_answer(two):
    """The server was started again: appends and single look-ups go on with new connections."""
    book, (a, _) = both_recorders(two)
    told(a, f.registered())
    client = client_with(create_app(two[0]), token_of(two[0], book, "admin"))
    assert 200 == client.get("/v1/units/U-1").status_code
    with two[1].writing.begin() as connection:
        others = "pid <> pg_backend_pid() AND datname = current_database()"
        assert 3 <= len(
            connection.execute(text(f"SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE {others}")).all()
        )
    answers = [client.post("/v1/entries", json=f.scanned()).status_code for _ in range(2)]
    assert [201, 201] == answers
    assert [] == wrong_with(two, book)


def test_a_finding_of_one_process_comes_before_the_other_s_release_and_refuses_it_or_after_it(two):
    """Raced: whatever comes first, no release stands on top of a finding that blocks it."""
    book = new_book(two[0], "race.example/depot")
    clients = [client_with(create_app(store), token_of(store, book, "admin")) for store in two]
    sent = clients[0].post("/v1/entries", json=[*prepared(), *job_done()])
    assert {201} == {o["status"] for o in sent.json["outcomes"]}
    answered = []
    for n in range(15):
        finding = f.finding_raised(f"F-{n}", blocking=True, occurred_at=at(55), id=f.entry_id(1000 + n))
        release = body(id=f.entry_id(2000 + n), release=f"REL-{n}")
        race = threading.Barrier(2)
        found: dict[str, Any] = {}

        def send(name, client, path, what, race=race, found=found):
            race.wait()
            found[name] = client.post(path, json=what)

        threads = [
            threading.Thread(target=send, args=("finding", clients[0], "/v1/entries", finding)),
            threading.Thread(target=send, args=("release", clients[1], "/v1/units/U-1/releases", release)),
        ]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert 201 == found["finding"].status_code
        if found["release"].status_code == 201:
            assert found["release"].json["index"] < found["finding"].json["index"]
        else:
            assert ["finding-open"] == codes(found["release"].json)
        answered.append(found["release"].status_code)
        closed = f.finding_closed(f"F-{n}", occurred_at=at(56), id=f.entry_id(3000 + n))
        assert 201 == clients[0].post("/v1/entries", json=closed).status_code
    assert {201, 409} >= set(answered)


# While nobody else moves the book an append that asks nothing goes by the head as it was left


@pytest.fixture
def trips(monkeypatch):
    """Each round trip of an append since the list was emptied: how many statements it took along."""
    found: list[int] = []
    rows, together = Line.rows, Line.together
    monkeypatch.setattr(Line, "rows", lambda line, *query: found.append(1) or rows(line, *query))
    monkeypatch.setattr(Line, "together", lambda line, queries: found.append(len(queries)) or together(line, queries))
    return found


def slipped(seq, value="0.20", unit="U-1"):
    """A reading by a tablet, its slips numbered."""
    return f.reading(value, unit=unit, device={"id": "tab-1", "seq": seq, "clock_offset_ms": 0})


def test_a_reading_goes_out_in_one_trip_while_no_other_process_moves_the_book(two, trips):
    book, (a, b) = both_recorders(two)
    told(a, f.registered(), f.registered("U-2"), f.sheet_issued())
    for seq in range(1, 4):
        told(a, slipped(seq))
    trips.clear()
    numbers(told(a, slipped(4)))
    assert [1] == trips
    numbers(told(b, f.reading("0.30", unit="U-2")))
    trips.clear()
    numbers(told(a, slipped(5)))
    assert [1, 3, 2] == trips, "tried, then begun again under the lock, and committed"
    numbers(told(b, f.reading("0.31", unit="U-2")))
    trips.clear()
    numbers(told(a, slipped(6)))
    assert 3 == trips[0], "it is not tried while others move the book"
    numbers(told(a, slipped(7)))
    trips.clear()
    numbers(told(a, slipped(8)))
    assert [1] == trips
    assert [] == wrong_with(two, book)


def test_what_came_before_or_is_refused_is_answered_by_what_stands_now(two):
    """Each is tried by what `a` remembers, and nothing shows there that it is not so."""
    book, (a, b) = both_recorders(two)
    told(a, f.registered(), f.sheet_issued())
    first = slipped(1)
    (sent,) = told(a, first)
    for seq in (2, 3):
        told(a, slipped(seq))
    (again,) = told(a, first)
    assert ("again", sent.answer) == (again.status, again.answer)
    (other,) = told(a, first | {"data": first["data"] | {"readings": [{"value": "0.30"}]}})
    assert "id-reused" == other.refusal.slug
    assert ["unknown-unit"] == [found.refusal.faults[0].code for found in told(a, f.reading("0.21", unit="U-2"))]
    told(b, f.registered("U-2"))
    numbers(told(a, f.reading("0.21", unit="U-2")))
    assert [] == wrong_with(two, book)


def test_readings_of_two_processes_stand_in_one_order(two):
    book, recorders = both_recorders(two)
    units = [f"U-{n}" for n in range(4)]
    told(recorders[0], *map(f.registered, units), f.sheet_issued())
    sent = [[f.reading(f"0.{20 + n % 9}", unit=unit) for n in range(EACH)] for unit in units]
    heard: dict[str, bytes] = {}

    def send(number):
        for n, raw in enumerate(sent[number]):
            (outcome,) = told(recorders[(number + n // 5) % 2], raw)
            heard[raw["id"]] = outcome.answer

    threads = [threading.Thread(target=send, args=(number,)) for number in range(len(units))]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    indexes = sorted(json.loads(answer)["index"] for answer in heard.values())
    assert list(range(5, 5 + len(units) * EACH)) == indexes
    assert [] == wrong_with(two, book)


def test_b23_a_reading_by_a_token_revoked_elsewhere_is_refused_though_the_book_stood_still(two, clock):
    book, (a, _) = both_recorders(two)
    told(a, f.registered(), f.sheet_issued())
    client, ident = client_of(two, book)
    for seq in range(1, 5):
        assert 201 == client.post("/v1/entries", json=slipped(seq)).status_code
        two[0].uses.settle()
    with two[1].writing.begin() as connection:
        assert tokens.revoke(connection, book.number, ident, clock())
    assert 401 == client.post("/v1/entries", json=slipped(5)).status_code
    with two[1].reading.begin() as connection:
        assert 6 == connection.execute(text("SELECT size FROM log_head WHERE book = :b"), {"b": book.number}).scalar()


def test_a_line_that_is_cut_while_a_statement_is_under_way_leaves_its_outcome_unknown(two):
    """It waits for the other process when the server ends it; it might as well have been kept."""
    book, (a, _) = both_recorders(two)
    told(a, f.registered(), f.sheet_issued())
    for seq in range(1, 4):
        told(a, slipped(seq))
    kept, end = slipped(4), []

    def send():
        try:
            end.append(told(a, kept))
        except DBAPIError as error:
            end.append(error)

    cut = text("SELECT pg_terminate_backend(pid, 5000) FROM pg_stat_activity WHERE wait_event_type = 'Lock'")
    sending = threading.Thread(target=send)
    with log.Held(two[1].appending, book.number, ()), two[1].writing.connect() as connection:
        sending.start()
        for _ in range(400):
            if connection.execute(cut).all():
                break
            time.sleep(0.02)
        sending.join(20)
    assert "outcome-unknown" == refusal_of(end[0]).slug
    assert a._in_doubt, "nothing is written before the end of the log was looked at"
    assert [(5, 4)] == numbers(told(a, kept))
    assert [] == wrong_with(two, book)


def put_back(two, book, head):
    """As a backup of then, while both processes go on; `head` is the row of then."""
    with two[0].writing.begin() as connection:
        connection.execute(text("SET LOCAL session_replication_role = replica"))
        for table in ("entry", "entry_id", "receipt"):
            gone = text(f"DELETE FROM {table} WHERE book = :book AND log_index >= :size")
            connection.execute(gone, {"book": book.number, "size": head.size})
        was = text("UPDATE log_head SET size = :size, edge = :edge, root = :root WHERE book = :book")
        connection.execute(was, head._asdict())
    redraw(two[0], book)


@pytest.mark.parametrize("since", [2, 3])
def test_a_store_that_was_put_back_and_went_another_way_is_not_taken_for_what_it_was(two, since):
    """As far as before, or further: what `a` remembers is of entries that are gone, and so is its root."""
    book, (a, b) = both_recorders(two)
    told(a, f.registered(), f.registered("U-2"), f.sheet_issued())
    with two[0].reading.begin() as connection:
        head = connection.execute(text("SELECT * FROM log_head WHERE book = :b"), {"b": book.number}).one()
    for value in ("0.20", "0.21"):
        told(a, f.reading(value))
    put_back(two, book, head)
    told(b, *[f.scanned(unit="U-2") for _ in range(since)])
    assert [(3 + since, 1)] == numbers(told(a, f.reading("0.22")))
    assert [] == wrong_with(two, book)


# A token that was looked up before is looked at again under the lock


def client_of(two, book, role="bench"):
    key = token_of(two[0], book, role)
    return client_with(create_app(two[0]), key), key.split(".")[1]


def test_b23_a_token_that_another_process_revokes_appends_nothing_from_then_on(two, clock):
    book, (a, _) = both_recorders(two)
    told(a, f.registered())
    (client, ident), (other, _) = client_of(two, book), client_of(two, book)
    for asks in (client, client, other):
        assert 201 == asks.post("/v1/entries", json=f.scanned()).status_code
    with two[1].writing.begin() as connection:
        assert tokens.revoke(connection, book.number, ident, clock())
    kept = f.scanned()
    assert [401, 401] == [client.post("/v1/entries", json=kept).status_code for _ in range(2)]
    answer = other.post("/v1/entries", json=kept)
    assert (201, 4) == (answer.status_code, answer.json["index"]), "what was refused was not kept"


def test_a_plain_append_asks_for_its_token_only_with_its_own_first_round_trip(two, monkeypatch):
    book, (a, _) = both_recorders(two)
    told(a, f.registered())
    client, _ = client_of(two, book)
    assert 201 == client.post("/v1/entries", json=f.scanned()).status_code
    two[0].uses.settle()
    assert 201 == client.post("/v1/entries", json=f.scanned()).status_code, "its row says now that it was used"
    assert 201 == client.post("/v1/entries", json=f.scanned()).status_code
    monkeypatch.setattr(QuickReader, "__call__", None)
    assert 201 == client.post("/v1/entries", json=f.scanned()).status_code


def test_a_token_that_was_overtaken_spares_those_that_came_with_it(two, clock):
    book, (a, _) = both_recorders(two)
    told(a, f.registered())
    senders = []
    with two[0].writing.begin() as connection:
        for _ in range(2):
            token, _ = tokens.new_token(connection, book.number, "admin", clock())
            senders.append(Sender(token.id, vouches=True, recalled=token))
        tokens.revoke(connection, book.number, senders[0].token, clock())
    drafts = [read_draft(f.scanned()) for _ in range(3)]
    sent = [Request((d,), s, False) for d, s in zip(drafts, (senders[0], senders[1], ADMIN), strict=True)]
    overtaken, *kept = a._commit(sent)
    assert isinstance(overtaken, tokens.Overtaken)
    assert [1, 2] == [outcome.index for (outcome,) in kept]
    with pytest.raises(tokens.Overtaken):
        a.record(drafts[:1], senders[0])
    assert [(3, 3)] == numbers(a.record(drafts[:1], ADMIN)), "nothing of it was kept"
