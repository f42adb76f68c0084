"""The demo depot: a scratch book filled under a simulated clock, through the same path as a client's entries."""

import json
import sys
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from importlib.util import module_from_spec, spec_from_file_location
from itertools import groupby
from types import ModuleType
from typing import Any

from service_api.app import Store, wall_clock
from service_api.calc.check_characters import with_check
from service_api.directory import people, tokens
from service_api.domain.ids import uuid7_from
from service_api.domain.moments import day_in, parse
from service_api.domain.refusals import NotReleasable
from service_api.domain.tags import PREFIX
from service_api.log.store import Book
from service_api.permits import Sender
from service_api.recording.batch import Outcome
from service_api.recording.recorder import Recorder
from service_api.releasing import Signing
from service_api.settings import travelling
from service_api.wire.entries import read_draft

THEN = "2024-12-03T23:59:59+01:00"  # the evening of story S1's warning


def seed(name: str) -> ModuleType:
    """A module of the demo data, which lies beside the code and not in it."""
    package = travelling("seed")
    if "fettlebook_seed" not in sys.modules:
        spec = spec_from_file_location(
            "fettlebook_seed", package / "__init__.py", submodule_search_locations=[str(package)]
        )
        if spec is None or spec.loader is None:
            raise FileNotFoundError(package)
        module = module_from_spec(spec)
        sys.modules["fettlebook_seed"] = module
        spec.loader.exec_module(module)
    from importlib import import_module

    return import_module(f"fettlebook_seed.{name}")


class SimulatedClock:
    """A clock that somebody sets; only a demo book is written under one."""

    def __init__(self) -> None:
        self.now = datetime(2022, 3, 1, tzinfo=UTC)

    def __call__(self) -> datetime:
        return self.now


def tag_of(eight: str) -> str:
    return PREFIX + with_check(eight)


def all_units() -> list[dict[str, Any]]:
    depot = seed("depot")
    return [*depot.UNITS, *depot.GAUGES]


@dataclass
class Namer:
    """Ids for the demo's entries: UUIDs of version 7 that come out the same every time, and names for references."""

    made: dict[str, str] = field(default_factory=dict)
    count: int = 0

    def entry_id(self, heard: datetime) -> str:
        self.count += 1
        return uuid7_from(int(heard.timestamp() * 1000), self.count & 0xFFF, self.count)


def resolve(value: Any, names: dict[str, str]) -> Any:
    """The value with every `@name` replaced by what it stands for, in a key (`code:@name`) too.

    Raises KeyError for an unknown name.
    """
    if isinstance(value, dict):
        return {k: resolve(v, names) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [resolve(v, names) for v in value]
    if isinstance(value, str) and "@" in value:
        head, _, name = value.rpartition("@")
        if head == "" or head.endswith(":"):
            return head + names[name]
    return value


def told(until: date) -> Iterator[tuple[datetime, list[dict[str, Any]]]]:
    """The stories as batches of entries, each with the moment at which the book hears of it.

    until : the day of the demo; the depot's gauges are in calibration on it
    """
    namer = Namer({f"tag:{u['id']}": tag_of(u["tag"]) for u in all_units() if u.get("tag")})
    for step in seed("stories").steps(until):
        heard = parse(step.heard)
        batch = []
        for raw in step.entries:
            ident = namer.entry_id(heard)
            if "ref" in raw:
                namer.made[raw["ref"]] = ident
            members = resolve({k: v for k, v in raw.items() if k != "ref"}, namer.made)
            batch.append({"id": ident, **members})
        yield heard, batch


def fill(store: Store) -> Book:
    """A new book with the depot's whole record. Raises RuntimeError when an entry of the demo data is refused."""
    depot = seed("depot")
    book = store.new_book(depot.ORIGIN, depot.ZONE, simulated=True)
    with store.writing.begin() as connection:
        for person in depot.PEOPLE:
            ident, name, role = person["id"], person["name"], person["role"]
            badge, pin = person["badge"], person["pin"]
            people.add_person(connection, book.number, ident, name, role, badge=badge, pin=pin)
        for party in depot.PARTIES:
            people.add_party(connection, book.number, party["id"], party["name"])
        token, _ = tokens.new_token(connection, book.number, "admin", wall_clock(), name="demo data")
        tokens.revoke(connection, book.number, token.id, wall_clock())
    clock = SimulatedClock()
    recorder = Recorder(store.appending, book, clock)
    sender, signing = Sender(token.id, vouches=True), Signing(store.answers(book.number))
    for heard, batch in told(day_in(store.clock(), depot.ZONE)):
        clock.now = heard
        for signed, part in groupby(batch, key=_at_the_gate):
            for raw, outcome in (_signed if signed else _recorded)(recorder, sender, signing, list(part)):
                if outcome.status != "recorded":
                    raise RuntimeError(f"the demo data is wrong: {json.dumps(raw)}: {outcome.refusal}")
    return book


def _at_the_gate(raw: dict[str, Any]) -> bool:
    """A release is signed at the gate; one that somebody signed `offline` comes as a fact."""
    return raw["type"] == "unit.released" and not raw.pop("offline", False)


Told = Iterator[tuple[dict[str, Any], Outcome]]


def _recorded(recorder: Recorder, sender: Sender, signing: Signing, batch: list[dict[str, Any]]) -> Told:
    return zip(batch, recorder.record([read_draft(raw) for raw in batch], sender), strict=True)


def _signed(recorder: Recorder, sender: Sender, signing: Signing, batch: list[dict[str, Any]]) -> Told:
    """Releases are signed at the gate, as at the bench; one that has to be refused says why it is."""
    for raw in batch:
        refused = raw.pop("refused", None)
        outcome = recorder.decide(read_draft(raw), sender, signing)
        if refused is None:
            yield raw, outcome
        elif not isinstance(outcome.refusal, NotReleasable) or not _names(outcome.refusal, refused):
            raise RuntimeError(f"the demo data is wrong: {json.dumps(raw)} was not refused for {refused}")


def _names(refusal: NotReleasable, codes: list[str]) -> bool:
    return set(codes) <= {block["code"] for block in refusal.members["blocks"]}


@dataclass(frozen=True)
class Ready:
    """A filled demo book, and the keys to it."""

    book: Book
    fresh: bool
    entries: int
    admin: str
    enrol_code: str
    tags: dict[str, str]


def prepare(store: Store) -> Ready:
    """Fill the demo book unless it is there already, and make new keys to it: an admin's token, a one-time link."""
    origin = seed("depot").ORIGIN
    book = next((b for b in store.books() if b.origin == origin), None)
    fresh = book is None
    if book is None:
        book = fill(store)
    now = store.clock()
    with store.writing.begin() as connection:
        _, admin = tokens.new_token(connection, book.number, "admin", now, name="demo", days=30)
        _, code, _ = tokens.enrol(connection, book.number, "demo bench", now)
    tags = {u["id"]: tag_of(u["tag"]) for u in all_units() if u.get("tag")}
    return Ready(book, fresh, store.answers(book.number).size(), admin, code, tags)
