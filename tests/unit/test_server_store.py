"""The server store does what the embedded one does: the same entries give the same states and answers."""

import json
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import Engine

from service_api.app import Store
from service_api.log.store import Book
from service_api.ops.leaves import Leaves
from service_api.ops.order import Order
from service_api.ops.verify import read_head, verify
from service_api.permits import Sender
from service_api.projections import units
from service_api.settings import Settings
from service_api.wire.entries import read_draft
from tests import factories as f
from tests.conftest import new_book

ADMIN = Sender("token-1", vouches=True)


@pytest.fixture
def server_store(postgresql_engine: Engine, tmp_path: Path, clock) -> Iterator[Store]:
    url = postgresql_engine.url.render_as_string(hide_password=False)
    opened = Store(Settings(tmp_path, url, "+01:00"), clock)
    yield opened
    opened.close()


def story() -> list[list[dict]]:
    """In order, late, corrected, moved, contested; in three batches."""
    f.EntryFactory.reset_sequence(0)
    early = "2026-01-02T08:00:00+01:00"
    read = f.reading("0.24", hours="12.50", gauge=f.GAUGE)
    first = [
        f.sheet_issued(),
        f.registered(),
        f.registered("U-2"),
        f.registered(f.GAUGE, "GDIAL"),
        f.gauge_calibrated(),
    ]
    then = [f.tag_attached("Ö-7"), f.fitted(), f.fitted(), read, f.alert_issued()]
    last = [
        f.meter_read("3", occurred_at="2026-01-03T08:00:00+01:00"),
        f.superseded(read, read["data"] | {"readings": [{"value": "0.20"}]}),
        f.reattributed(read, "unit:U-2"),
        f.tag_detached("Ö-7", occurred_at="2026-01-05T10:00:00+01:00"),
    ]
    return [[raw | {"occurred_at": early} for raw in first], then, last]


def told(store: Store) -> dict[str, object]:
    """What a fresh book says after the story."""
    book = new_book(store, "server.example/depot")
    recorder, answers = store.recorder(book.number), store.answers(book.number)
    heard = [o for batch in story() for o in recorder.record([read_draft(raw) for raw in batch], ADMIN)]
    assert ["recorded"] * len(heard) == [o.status for o in heard], [str(o.refusal) for o in heard]
    again = recorder.record([read_draft(raw) for raw in story()[1]], ADMIN)
    with store.reading.begin() as connection:
        states = units.read_states(connection, book.number, ("U-1", "U-2"))
    return {
        "answers": [json.loads(o.answer or b"") for o in heard],
        "again": [(o.status, json.loads(o.answer or b"")) for o in again],
        "states": {unit: units.pack(state) for unit, state in states.items()},
        "condition": [json.loads(answers.condition(unit).text) for unit in ("U-1", "U-2")],
        "card": [json.loads(answers.card(unit).text) for unit in ("U-1", "U-2")],
        "tag": json.loads(answers.tag("Ö-7").text),
    }


def test_the_same_story_gives_the_same_answers_on_either_store(store, server_store):
    embedded, server = told(store), told(server_store)
    assert {"again"} == {status for status, _ in server["again"]}
    assert embedded == server


def told_on(store: Store) -> Book:
    book = new_book(store, "test.example/depot")
    for raws in story():
        store.recorder(book.number).record([read_draft(raw) for raw in raws], ADMIN)
    return book


@pytest.mark.parametrize("moved", [0, 1, 32])
def test_leaves_on_a_server_are_compared_in_one_go_and_each_for_itself(server_store: Store, moved: int) -> None:
    """What is moved from one to the next leaves the same bytes one behind the other."""
    book = told_on(server_store)
    with server_store.writing.begin() as connection:
        connection.exec_driver_sql("ALTER TABLE receipt DISABLE TRIGGER receipt_sealed")
        rows = connection.exec_driver_sql("SELECT leaf FROM receipt WHERE log_index IN (7, 8) ORDER BY log_index")
        both = b"".join(bytes(leaf) for (leaf,) in rows)
        for index, part in ((7, both[: 32 - moved]), (8, both[32 - moved :])):
            connection.exec_driver_sql("UPDATE receipt SET leaf = %s WHERE log_index = %s", (part, index))
    leaves = Leaves(server_store.quickly, book.number, 14, form=False)
    with pytest.MonkeyPatch.context() as alone:
        if not moved:
            alone.delattr(Leaves, "_one_by_one")
            alone.delattr(Order, "_read_one")
        leaves.look().against(read_head(server_store.quickly, book)[2])
    assert [("damaged", index) for index in (7, 8) if moved] == [(wrong.how, wrong.first) for wrong in leaves.wrongs]


def test_a_book_on_a_server_is_verified_and_what_was_altered_beneath_it_is_found(server_store: Store) -> None:
    book = told_on(server_store)
    found = verify(server_store, book)
    assert ([], 14, 3) == (found.wrongs, found.entries, len(found.needs_memory))
    with server_store.writing.begin() as connection:
        connection.exec_driver_sql("ALTER TABLE entry DISABLE TRIGGER entry_sealed")
        change = "UPDATE entry SET hashed = convert_to(replace(convert_from(hashed, 'UTF8'), 'ada', 'bob'), 'UTF8')"
        connection.exec_driver_sql(f"{change} WHERE log_index = 7")
        connection.exec_driver_sql("UPDATE unit_state SET serial = 'another' WHERE unit = 'U-1'")
    found = verify(server_store, book)
    assert {("unsealed", None), ("edited", 7)} <= {(wrong.how, wrong.first) for wrong in found.wrongs}
    with server_store.writing.begin() as connection:
        back = change.replace("'ada', 'bob'", "'bob', 'ada'")
        connection.exec_driver_sql(f"{back} WHERE log_index = 7")
        connection.exec_driver_sql("ALTER TABLE entry ENABLE TRIGGER entry_sealed")
    assert ["stale"] == [wrong.how for wrong in verify(server_store, book).wrongs]


def test_a_receipt_tells_of_what_came_with_it_on_a_server_too(server_store):
    """An alert and a part of its lot in one request: what is written waits there, and has to be read all the same."""
    recorder = server_store.recorder(new_book(server_store, "server.example/depot").number)
    alert = f.alert_issued(action="inspect", scope={"lots": ["L-9"]}, occurred_at="2026-01-05T08:00:00+01:00")
    fit = f.fitted("bearing", f.piece(lot="L-9"), occurred_at="2026-01-05T08:30:00+01:00")
    recorder.record([read_draft(f.registered(occurred_at="2026-01-02T08:00:00+01:00"))], ADMIN)
    _, told_of_it = [json.loads(o.answer) for o in recorder.record([read_draft(alert), read_draft(fit)], ADMIN)]
    assert ["alert-part-fitted"] == [found["code"] for found in told_of_it["discrepancies"]]
