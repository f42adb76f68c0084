"""The server store does what the embedded one does: the same entries give the same states and answers."""

import json
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import Engine

from service_api.app import Store
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
