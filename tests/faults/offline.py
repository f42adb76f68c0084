"""Two benches that were offline and contradict each other (B17): whoever arrives first, the same comes out.

What an entry is called in the book (its index and what counts by it) depends on the arrival; nothing else may.
"""

import json
import random
import shutil
from pathlib import Path
from typing import Any

from service_api.app import Store, create_app
from tests import factories as f
from tests.conftest import client_with
from tests.faults.simulation import BEGAN, UNITS, Beginning
from tests.faults.work import settings_of
from tests.property.test_oracle import FACTS

# What a release knew is a matter of the arrival (JOB.md 4.3, row 5): the same for everything else
MEETING = [fact for fact in FACTS if fact(0)["type"] != "unit.released"]
BY_ARRIVAL = {"as_of", "index", "seq", "recorded_at"}
QUESTIONS = ("condition", "card", "slots", "history")
Queue = list[dict[str, Any]]


def pair(dice: random.Random) -> tuple[Queue, Queue]:
    """What each bench did on the same units, at minutes that nobody else used, with corrections of its own entries."""
    minutes = dice.sample(range(1, 4000), 40)
    made = iter(range(100, 200))
    queues = []
    for name, person in (("a", "mo.manager"), ("b", "mia.manager")):
        queue: Queue = []
        for _ in range(dice.randint(2, 10)):
            minute = minutes.pop()
            more = {
                "id": f.entry_id(next(made)),
                "by": person,
                "occurred_at": f"2026-01-{2 + minute // 1440:02}T{minute // 60 % 24:02}:{minute % 60:02}:30Z",
                "device": {"id": name, "seq": len(queue)},
            }
            facts = [raw for raw in queue if not raw["type"].startswith("entry.")]
            if facts and dice.random() < 0.3:
                target = dice.choice(facts)
                elsewhere = dice.choice([u for u in UNITS if f"unit:{u}" != target["subject"]])
                raw = dice.choice(
                    (
                        f.withdrawn(target),
                        f.superseded(target, target["data"]),
                        f.reattributed(target, f"unit:{elsewhere}"),
                    )
                )
            else:
                raw = dice.choice(MEETING)(dice.randint(0, 9)) | {"subject": f"unit:{dice.choice(UNITS[:2])}"}
            queue.append(raw | more)
        queues.append(queue)
    return queues[0], queues[1]


def arrivals(a: Queue, b: Queue, dice: random.Random) -> list[list[Queue]]:
    """Orders in which they reach the service: one bench after the other, either way, and mixed in small batches."""
    mixed, left = [], [list(a), list(b)]
    while any(left):
        queue = dice.choice([queue for queue in left if queue])
        size = dice.randint(1, 3)
        mixed.append(queue[:size])
        del queue[:size]
    return [[a, b], [b, a], mixed]


def outcome(begins: Beginning, folder: Path, batches: list[Queue]) -> dict[str, Any]:
    """What is known of every unit afterwards, and the ids in the book; nothing that the arrival decides."""
    shutil.copytree(begins.folder, folder, ignore=shutil.ignore_patterns("*.sock", "*.lock"))
    store = Store(settings_of(folder), lambda: BEGAN)
    try:
        client = client_with(create_app(store), begins.token)
        for batch in batches:
            heard = client.post("/v1/entries", data=json.dumps(batch), content_type="application/json").json["outcomes"]
            assert {201} == {o["status"] for o in heard}, heard
        found = {f"{unit} {what}": client.get(f"/v1/units/{unit}/{what}").json for unit in UNITS for what in QUESTIONS}
        ids = sorted(entry["id"] for entry in client.get("/v1/feed?limit=500").json["entries"])
        return {name: _without(answer) for name, answer in found.items()} | {"ids": ids}
    finally:
        store.close()
        shutil.rmtree(folder)


def _without(value: Any) -> Any:
    if isinstance(value, dict) and value.get("code") == "id-taken":  # the later to arrive is the one that raises it
        return {"code": "id-taken", "entries": sorted(value["entries"])}
    if isinstance(value, dict):
        return {name: _without(member) for name, member in value.items() if name not in BY_ARRIVAL}
    return [_without(member) for member in value] if isinstance(value, list) else value


def merge(begins: Beginning, folder: Path, seed: int) -> list[str]:
    """What depends on who came first, in the life of this pair."""
    dice = random.Random(seed)
    a, b = pair(dice)
    first, *others = (outcome(begins, folder / f"{seed}-{n}", order) for n, order in enumerate(arrivals(a, b, dice)))
    found = [
        f"pair {seed}: {name} depends on the arrival"
        for other in others
        for name in first
        if first[name] != other[name]
    ]
    missing = {raw["id"] for raw in (*a, *b)} - set(first["ids"])
    return found + [f"pair {seed}: {ident} is lost" for ident in missing]
