"""What children do under strace: work on a prepared store, in one process and one thread, and say what they heard.

`say` gives a JSON value to who waits outside; `ready` is called when the work proper is about to begin.
"""

import json
import logging
import random
import tempfile
from collections.abc import Callable
from itertools import count
from pathlib import Path
from typing import Any

from sqlalchemy import create_engine

from service_api.app import Store, create_app
from service_api.app import migrate as bring_up
from service_api.log import engines
from service_api.permits import Sender
from service_api.settings import Settings
from tests import factories as f
from tests.conftest import client_with

Say = Callable[[Any], None]
Ready = Callable[[], None]
Batch = list[dict[str, Any]]
ADMIN = Sender("t-0", vouches=True)


def settings_of(folder: str | Path) -> Settings:
    return Settings(Path(folder), f"sqlite:///{folder}/fettlebook.db", "+01:00")


def append(say: Say, ready: Ready, folder: str, token: str, batches: list[Batch], *words: str) -> None:
    """Send batch after batch, each again until it is taken, and close the store, which is a checkpoint.

    words : `PRAGMA ...` for the writing connection, or the name of a fault that is planted here
    Says [status, slug] of a refused batch and {id: answer} of one that was taken.
    """
    logging.getLogger("fettlebook").setLevel(logging.CRITICAL)  # trouble is what is asked for
    store = Store(settings_of(folder))
    store.uses.note = lambda *_: None  # type: ignore[method-assign]  # one thread, so that calls can be counted
    client = client_with(create_app(store), token)
    assert isinstance(_sent(client, batches[0]), dict)
    for word in words:
        if word in PLANTS:
            PLANTS[word](store)
        else:
            _to_writing(store, word)
    ready()
    for batch in batches[1:]:
        if "answer early" in words:
            say({raw["id"]: '{"index":0}' for raw in batch})
        for _ in range(5):
            heard = _sent(client, batch)
            say(heard)
            if isinstance(heard, dict):
                break
    store.close()
    say("closed")


def migrate(say: Say, ready: Ready, folder: str, *words: str) -> None:
    """Bring an older store up to this code; whatever that needs is imported by then."""
    with tempfile.TemporaryDirectory() as other:
        bring_up(settings_of(other).database)
    if "no transaction" in words:
        engines.writing_engine = create_engine
    ready()
    bring_up(settings_of(folder).database)
    say("up to date")


def _sent(client: Any, batch: Batch) -> dict[str, str] | list[Any]:
    answer = client.post("/v1/entries", data=json.dumps(batch), content_type="application/json")
    if answer.status_code != 200:
        return [answer.status_code, answer.json["type"].rpartition("/")[2]]
    outcomes = json.loads(answer.data)["outcomes"]
    refused = [o for o in outcomes if o["status"] not in (200, 201)]
    if refused:
        return [refused[0]["status"], str(refused[0])]
    text = {o["id"]: json.dumps(o["entry"], separators=(",", ":"), ensure_ascii=False) for o in outcomes}
    return text


def _to_writing(store: Store, words: str) -> None:
    pooled = store.writing.raw_connection()
    try:
        assert pooled.driver_connection is not None
        pooled.driver_connection.execute(words).fetchall()
    finally:
        pooled.close()


def _take_a_failed_commit_for_a_good_one(store: Store) -> None:
    dialect: Any = store.writing.dialect
    commit = dialect.do_commit

    def careless(connection: Any) -> None:
        try:
            commit(connection)
        except dialect.dbapi.Error:
            connection.rollback()

    dialect.do_commit = careless


PLANTS: dict[str, Callable[[Store], None]] = {
    "answer early": lambda store: None,  # says that entries are taken before they are sent
    "careless commit": _take_a_failed_commit_for_a_good_one,
}


def batches() -> list[Batch]:
    """What prepares; an entry in order; then a late one, a correction and an entry on another unit, in one commit."""
    reading = f.reading("0.20", id=f.entry_id(1001))
    late = f.meter_read("5", id=f.entry_id(1003), occurred_at="2026-01-03T09:00:00+01:00")
    struck = f.withdrawn(reading, id=f.entry_id(1002), by="mo.manager")
    return [[f.scanned(id=f.entry_id(1000))], [reading], [late, struck, f.fitted(id=f.entry_id(1004), unit="U-2")]]


def singles(number: int) -> list[Batch]:
    """So many entries, each in a commit of its own."""
    return [[f.meter_read(str(100 + n), id=f.entry_id(2000 + n))] for n in range(number)]


def mixed(seed: int, number: int) -> list[Batch]:
    """So many commits of one to five facts and corrections, the same for the same seed."""
    dice, facts, made = random.Random(seed), [], count(5000)

    def fact_or_correction() -> dict[str, Any]:
        at = f"2026-01-{dice.randint(3, 5):02}T08:{dice.randint(0, 59):02}:00+01:00"
        more = {"id": f.entry_id(next(made)), "occurred_at": at, "by": "mo.manager"}
        if facts and dice.random() < 0.25:
            target = dice.choice(facts)
            return dice.choice((f.withdrawn(target, **more), f.superseded(target, target["data"], **more)))
        n = dice.randint(0, 9)
        facts.append(dice.choice(FACTS)(n, more | {"unit": dice.choice(("U-1", "U-2"))}))
        return facts[-1]

    return [[fact_or_correction() for _ in range(dice.choice((1, 1, 2, 5)))] for _ in range(number)]


FACTS: tuple[Callable[[int, dict[str, Any]], dict[str, Any]], ...] = (
    lambda n, more: f.meter_read(str(100 + n), **more),
    lambda n, more: f.reading(f"0.{10 + n}", hours=str(100 + n), **more),
    lambda n, more: f.fitted("feed-nut", f.piece(serial=f"S-{n}"), **more),
    lambda n, more: f.removed("feed-nut", f.piece(serial=f"S-{n}"), **more),
    lambda n, more: f.tag_attached(f"OWN-{n}", **more),
    lambda n, more: f.finding_raised(f"F-{n}", **more),
    lambda n, more: f.scanned(**more),
)
