"""Hostile input: whatever is sent or asked, the answer is one of the contract's, never a fault of ours (5xx).

Bodies are drawn at random, entries from the hints of every type; what was kept has to fold to the stored state.
"""

import json
import math
import random
from collections.abc import Iterator
from decimal import Decimal
from hashlib import sha256
from types import SimpleNamespace
from typing import Annotated, Any, Literal, get_args, get_origin
from urllib.parse import quote

import pytest
import rfc8785
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service_api.app import Store, create_app
from service_api.domain.entries.registry import TYPES
from service_api.domain.forms import Form
from service_api.domain.plain import alternatives, hints_of, is_record, wire_name
from service_api.pages import draw_unit
from service_api.projections import units
from service_api.wire.derive import required
from tests import factories as make
from tests.api.reading_back import PROBLEM, indexes
from tests.conftest import FakeClock, client_with, new_book, settings_in, token_of

EASY = settings(
    max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large]
)
EARLY = "2026-01-02T08:00:00+01:00"
UNITS, PEOPLE = ("U-1", "U-2", "G-1"), ("ada.bench", "lou.lead", "mo.manager")


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[SimpleNamespace]:
    """A book with a class, two units and a gauge, that takes whatever the tests of this file throw at it."""
    store = Store(settings_in(tmp_path_factory.mktemp("hostile")), FakeClock())
    book = new_book(store, "hostile.example/depot")
    app = create_app(store)
    client = client_with(app, token_of(store, book, "admin"))
    start = [make.sheet_issued(occurred_at=EARLY), make.gauge_calibrated(occurred_at=EARLY)]
    start[1:1] = [make.registered(u, "GDIAL" if u == "G-1" else "TST", occurred_at=EARLY) for u in UNITS]
    ids = [f"00000000-0000-7000-9000-{n:012d}" for n in range(len(start))]
    for ident, entry in zip(ids, start, strict=True):
        assert 201 == client.post("/v1/entries", json=entry | {"id": ident}).status_code
    yield SimpleNamespace(store=store, book=book, client=client, count=iter(range(10**9)), targets=[])
    store.close()


def post(shop: SimpleNamespace, body: bytes | str, media: str = "application/json", **headers: str) -> Any:
    return shop.client.post("/v1/entries", data=body, content_type=media, headers=headers)


def sane(answer: Any) -> bool:
    """An answer of the contract: 2xx, or a problem document below 500."""
    assert answer.status_code < 500, answer.text
    if answer.status_code >= 400:
        assert PROBLEM == answer.content_type
        assert {"type", "title", "status", "detail", "instance"} <= answer.json.keys()
    return True


# Any JSON, any bytes

any_text = st.text(st.characters(exclude_categories=()), max_size=20)
any_json = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | any_text | st.sampled_from([2**53, -(2**63), 10**400]),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(any_text, inner, max_size=4),
    max_leaves=12,
)


@EASY
@given(any_json)
def test_any_json_value_is_answered_and_nothing_of_it_is_kept(shop, value):
    before = indexes(shop.store, shop.book.number)
    answer = post(shop, json.dumps(value))
    assert sane(answer)
    if isinstance(value, list) and value and answer.status_code == 200:
        assert all(400 <= o["status"] < 500 for o in answer.json["outcomes"])
    else:
        assert answer.status_code in (400, 422)
    assert before == indexes(shop.store, shop.book.number)


@EASY
@given(st.binary(max_size=200), st.sampled_from(["application/json", "application/x-ndjson"]), st.booleans())
def test_any_bytes_are_answered(shop, body, media, stream):
    headers = {"Accept": "application/x-ndjson"} if stream else {}
    assert sane(post(shop, body, media, **headers))


EXAMPLES = [
    make.reading("0.30", hours="100", gauge="G-1", job="J-1", device={"id": "pad-1", "seq": 1, "clock_offset_ms": 5}),
    make.fitted("feed-nut", make.piece(lot="L-1", serial="S-1", hours=make.q("5", "h"))),
    make.sheet_issued(),
    make.finding_raised(more={"led_to": ["F-2"]}),
    make.run_recorded("R-1", "final", {"test": "free-speed", "values": [make.q("60", "{rev}/min")]}),
    make.gauge_calibrated(),
    make.scanned(attachments=[{"sha256": "0" * 64, "media_type": "image/png", "bytes": 1, "name": "x"}]),
    make.entry(
        "terms.issued",
        {"terms": "T", "rev": 1, "effective_on": "2026-01-01", "zone": "Z", "promises": [{"a": [1]}]},
        subject="shop:s",
    ),
]


def places(value: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    yield path
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for name, inner in items:
        yield from places(inner, (*path, name))


def put(value: Any, path: tuple[Any, ...], new: Any) -> Any:
    if not path:
        return new
    copy = dict(value) if isinstance(value, dict) else list(value)
    copy[path[0]] = put(copy[path[0]], path[1:], new)
    return copy


@EASY
@given(st.data(), any_json)
def test_a_good_entry_with_anything_at_any_place_is_answered(shop, data, junk):
    entry = data.draw(st.sampled_from(EXAMPLES))
    path = data.draw(st.sampled_from(list(places(entry))[1:]))
    entry = put(entry | {"id": make.entry_id(10**6 + next(shop.count))}, path, junk)
    assert sane(post(shop, json.dumps(entry)))


@pytest.mark.parametrize("depth", [33, 100, 400, 900, 5000, 100_000])
@pytest.mark.parametrize("type_", ["terms.issued", "entry.superseded", "work.done", "no.type"])
def test_deep_nesting_is_refused_and_not_followed(shop, depth, type_):
    deep = '{"a":' * depth + "1" + "}" * depth
    entry = f'{{"id":"{make.entry_id(7)}","type":"{type_}","v":1,"subject":"shop:s","occurred_at":"{make.AT}",'
    entry += f'"by":"ada.bench","data":{{"promises":[{deep}],"data":{deep},"amounts":{deep}}}}}'
    answer = post(shop, entry)
    assert sane(answer)
    assert answer.status_code in (400, 422)


@pytest.mark.parametrize(
    "text", ["1" * 4000, "1" * 5000, "-" + "9" * 100_000, "1e999999999", "1" + "0" * 400 + ".5", "-0", "1E+2"]
)
def test_huge_numbers_are_refused_and_not_counted_out(shop, text):
    entry = json.dumps(make.fitted() | {"id": make.entry_id(8)}).replace('"qty": 1', f'"qty": {text}')
    answer = post(shop, entry)
    assert sane(answer)
    assert answer.status_code in (400, 422) or text == "-0"


# Well-formed entries of every type, with senseless content

ident = st.sampled_from(
    ["feed-nut", "bearing", "hours", "guards", "free-speed", "TST-BL", "TST-AC", "J-1", "F-1", "R-1", "x", "." * 64]
)
number = st.sampled_from(
    ["0", "-0", "0.00", "1", "0.30", "-5", "100", "99999.9", "9" * 25, "-" + "9" * 25, "0." + "0" * 23 + "1"]
)
uom = st.sampled_from(["circ", "mm", "h", "min", "N.m", "bar", "Cel", "K", "1", "%", "{rev}/min", "dB[SPL]", "[in_i]"])
MOMENTS = [
    "2026-01-05T09:00:00+01:00",
    "2026-01-05T08:00:00Z",
    "2026-01-04T23:59:60Z",
    "2016-12-31T23:59:60Z",
    "0001-01-01T00:00:00Z",
    "0001-01-01T00:00:00-23:59",
    "1970-01-01T00:00:00Z",
    "2026-01-05T12:04:59.999999999Z",
    "9999-12-31T23:59:59Z",
    "2025-06-30t23:59:59.5z",
]
moment = st.sampled_from(MOMENTS)
SUBJECTS = [*(f"unit:{u}" for u in UNITS), "lot:L-1", "person:ada.bench", "class:TST", "shop:s", "alert:A-1"]
day = st.sampled_from(["2026-01-05", "0001-01-01", "9999-12-31", "2024-02-29", "2025-12-31"])
words = st.sampled_from(["x", "å" * 200, "\u202e\u0000"[:1], "🔧", "a\nb", "<b>", '"\\', " . "])
FORMS = {
    "text": words,
    "ident": ident,
    "date": day,
    "moment": moment,
    "subject": st.sampled_from(SUBJECTS),
    "uom": uom,
    "place": st.sampled_from(["stock", "scrap", "unit:U-1", "unit:U-2"]),
    "digest": st.just("0" * 64),
    "tag": st.sampled_from(["FT.J3K70S6ET", "OWNER-7", "ÄÖ", "x" * 100]),
}
NAMED = {"unit": st.sampled_from(UNITS), "person": st.sampled_from(PEOPLE)}
WHOLE = st.sampled_from([0, 1, 2, -1, 31, 12, 10**6, 2**53 - 1, -(2**53 - 1)])


def of_hint(hint: Any, shop: SimpleNamespace) -> st.SearchStrategy[Any]:
    choices = alternatives(hint)
    if len(choices) > 1:
        return st.one_of(*(of_hint(choice, shop) for choice in choices))
    hint = choices[0]
    origin, args = get_origin(hint), get_args(hint)
    if origin is Annotated:
        form = next(extra for extra in args[1:] if isinstance(extra, Form))
        if form.name == "entry-id":
            return st.deferred(lambda: st.sampled_from(shop.targets or [make.entry_id(10**7)]))
        return NAMED.get(form.names or "", FORMS[form.name])
    if origin is Literal:
        return st.sampled_from(args)
    if origin is tuple and args[-1] is Ellipsis:
        return st.lists(of_hint(args[0], shop), max_size=3)
    if origin is tuple:
        return st.tuples(*(of_hint(a, shop) for a in args)).map(list)
    if origin is dict:
        return st.just({}) if args[1] is Any else st.dictionaries(words, of_hint(args[1], shop), max_size=2)
    if is_record(hint):
        return of_record(hint, shop)
    simple: dict[Any, st.SearchStrategy[Any]] = {Decimal: number, int: WHOLE, bool: st.booleans()}
    return simple[hint]


def of_record(cls: type, shop: SimpleNamespace) -> st.SearchStrategy[dict[str, Any]]:
    must, may = {}, {}
    for name, hint in hints_of(cls).items():
        (must if required(cls.__dataclass_fields__[name]) else may)[wire_name(name)] = of_hint(hint, shop)  # type: ignore[attr-defined]
    return st.fixed_dictionaries(must, optional=may)


ASKED = [
    *(
        f"/v1/units/{u}{rest}"
        for u in UNITS
        for rest in ("", "/card", "/condition", "/slots", "/history", "/wear/TST-BL", "/slots/feed-nut")
    ),
    "/v1/units?limit=500",
    "/v1/jobs/J-1",
    "/v1/tags/FT.J3K70S6ET",
    "/v1/tags/OWNER-7",
    "/v1/classes/TST/sheet",
    "/v1/entries?limit=20",
]
TIMES = [
    "",
    "true_at=2026-01-05T08:00:00Z",
    "true_at=0001-01-01T00:00:00Z",
    "true_at=9999-12-31T23:59:59Z",
    "known_index=8",
    "known_at=2026-01-05T12:00:00Z",
]


@pytest.mark.parametrize("name", sorted(n for n, t in TYPES.items() if not t.computed))
def test_a_well_formed_entry_of_any_content_is_a_fact_or_refused_and_answers_go_on(shop, name):
    """Each type a dozen times, in one book where everything mixes; afterwards every answer can still be given."""
    known = TYPES[name]
    body = of_record(known.body, shop)
    subject = FORMS["subject"].filter(lambda s: s.partition(":")[0] in known.subjects)

    @settings(max_examples=12, deadline=None, derandomize=True, database=None, suppress_health_check=list(HealthCheck))
    @given(subject, moment, st.sampled_from(PEOPLE), body, st.sampled_from([0, 3_600_000, -60_000]))
    def run(subject: str, at: str, by: str, data: dict[str, Any], offset: int) -> None:
        entry = make.entry(name, data, subject=subject, occurred_at=at, by=by, job="J-1")
        entry["id"] = make.entry_id(10**9 + next(shop.count))
        if offset:
            entry["device"] = {"id": "pad-1", "seq": 1, "clock_offset_ms": offset}
        answer = post(shop, json.dumps(entry))
        assert sane(answer)
        if answer.status_code == 201:
            found = answer.json
            shop.targets.append(found["id"])
            hashed = {k: v for k, v in found.items() if k not in ("leaf", "discrepancies", "warnings")}
            assert found["leaf"] == sha256(b"\0" + rfc8785.dumps(hashed)).hexdigest()

    run()
    for path in ASKED:
        assert sane(shop.client.get(path)), path
    assert stored_as_folded(shop)


CORRECTIONS = ["superseded", "superseded", "withdrawn", "withdrawn", "reattributed", "annotated", "disputed", "settled"]


def test_anything_may_be_corrected_in_any_order_and_what_was_known_before_stays_so(shop):
    """Facts, corrections and registrations alike, whatever the types before left in the book."""
    book, client = shop.book.number, shop.client
    kept: list[tuple[int, str, Any]] = []
    done: dict[int, int] = {}
    chance = random.Random(20260105)
    for step in range(200):
        size = len(indexes(shop.store, book))
        place = chance.choice([chance.randrange(size), chance.randrange(size - 20, size)])
        (target,) = client.get(f"/v1/entries?limit=1&cursor={place}").json["entries"]
        kind = chance.choice(CORRECTIONS)
        if kind == "reattributed":
            wrong = make.reattributed(target, chance.choice(SUBJECTS))
        elif kind == "superseded":
            alike = [e for e in client.get("/v1/entries?limit=500").json["entries"] if e["type"] == target["type"]]
            new = target["data"] if TYPES[target["type"]].corrects else chance.choice(alike or [target])["data"]
            wrong = make.superseded(target, new, at=chance.choice([None, *MOMENTS]))
        else:
            wrong = getattr(make, kind)(target)
        wrong |= {"by": chance.choice(PEOPLE), "occurred_at": chance.choice(MOMENTS)}
        wrong["id"] = make.entry_id(2 * 10**9 + next(shop.count))
        answer = post(shop, json.dumps(wrong))
        assert sane(answer)
        assert step % 20 or stored_as_folded(shop)
        done[answer.status_code] = done.get(answer.status_code, 0) + 1
        if answer.status_code == 201 and answer.json["index"] % 10 == 0:
            kept.extend((size + 1, p, without_echo(client.get(p))) for p in ASKED[:7])
    assert done[201] > 50, done
    for path in ASKED:
        assert sane(client.get(path)), path
    assert stored_as_folded(shop)
    assert len(kept) > 20
    for size, path, first in kept:
        assert first == without_echo(client.get(f"{path}?known_index={size}")), (path, size)


def without_echo(answer: Any) -> Any:
    assert sane(answer)
    return {k: v for k, v in answer.json.items() if k not in ("as_of", "instance")}


def test_after_all_that_earlier_answers_can_still_be_given(shop):
    for path in ASKED[:-6]:
        for when in TIMES:
            assert sane(shop.client.get(f"{path}?{when}")), (path, when)
    size = len(indexes(shop.store, shop.book.number))
    assert list(range(size)) == indexes(shop.store, shop.book.number)


def stored_as_folded(shop: SimpleNamespace) -> bool:
    """The stored state of every unit is what a plain fold over its page gives (DESIGN section 6)."""
    with shop.store.reading.begin() as connection:
        for unit in UNITS:
            row = units.read_state(connection, shop.book.number, unit)
            assert row is not None
            assert units.pack(draw_unit(connection, shop.book.number, unit)) == row.state, unit
    return True


# Addresses, queries, headers

segments = st.text(st.characters(exclude_categories=("Cs",)), min_size=1, max_size=30) | st.sampled_from(
    [
        "..",
        ".",
        "%00",
        "%2F",
        "a/b",
        "\x00",
        "U-1\n",
        "x" * 5000,
        "🔧",
        "%",
        "%zz",
        "unit:U-1",
        "'; DROP TABLE entry --",
    ]
)


@EASY
@given(
    st.sampled_from(
        [
            "/v1/units/{}",
            "/v1/units/{}/card",
            "/v1/units/{}/wear/{}",
            "/v1/units/U-1/wear/{}",
            "/v1/units/U-1/slots/{}",
            "/v1/tags/{}",
            "/v1/tags/{}/label.svg",
            "/v1/tags/{}/label.png",
            "/v1/jobs/{}",
            "/v1/classes/{}/sheet",
            "/v1/entries/{}",
            "/v1/attachments/{}",
            "/problems/{}",
            "/bench/{}",
            "/bench/enrol/{}",
            "/{}",
        ]
    ),
    segments,
    st.booleans(),
)
def test_any_address_is_answered(shop, shape, segment, raw):
    path = shape.replace("{}", segment if raw else quote(segment, safe=""))
    if "?" in path or "#" in path or "//" in path or path.startswith("/\\"):
        return  # not this address any more
    with shop.client.get(path) as answer:
        assert answer.status_code < 500


@EASY
@given(
    st.sampled_from(
        ["true_at", "known_at", "known_index", "limit", "cursor", "order", "class", "on", "subject", "job", "dots"]
    ),
    st.text(st.characters(exclude_categories=("Cs",)), max_size=20) | moment | day | st.integers().map(str),
    st.sampled_from(
        [
            "/v1/units",
            "/v1/units/U-1/card",
            "/v1/units/U-1/history",
            "/v1/entries",
            "/v1/classes/TST/sheet",
            "/v1/tags/X",
            "/v1/tags/OWNER-7/label.png",
        ]
    ),
)
def test_any_query_is_answered(shop, name, text, path):
    assert sane(shop.client.get(path, query_string={name: text}))


@EASY
@given(
    st.sampled_from(["Authorization", "Cookie", "Prefer", "Accept", "If-None-Match", "Content-Type"]),
    st.text(st.characters(min_codepoint=32, max_codepoint=255, exclude_characters="\x7f"), max_size=40),
)
def test_any_header_is_answered(shop, name, text):
    answer = shop.client.get("/v1/units/U-1/card", headers={name: text})
    assert answer.status_code < 500
    entry = json.dumps(make.scanned() | {"id": make.entry_id(9)})
    assert (
        shop.client.post(
            "/v1/entries", data=entry, headers={"Content-Type": "application/json"} | {name: text}
        ).status_code
        < 500
    )


@EASY
@given(any_json, st.sampled_from(["/v1/people", "/v1/parties", "/v1/tags", "/v1/people/ada.bench/roles"]))
def test_any_body_is_answered_by_the_other_writes(shop, value, path):
    if isinstance(value, float) and math.isinf(value):
        return
    assert sane(shop.client.post(path, data=json.dumps(value), content_type="application/json"))


@EASY
@given(any_text, any_text, any_text)
def test_any_text_as_a_person_is_answered(shop, ident, name, role):
    body = {"id": ident, "name": name, "role": role}
    assert sane(shop.client.post("/v1/people", data=json.dumps(body), content_type="application/json"))
    body = {"id": f"p.{next(shop.count)}", "name": name}
    assert sane(shop.client.post("/v1/parties", data=json.dumps(body), content_type="application/json"))
    assert sane(shop.client.get("/v1/parties"))
