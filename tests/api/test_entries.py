"""Recording and reading back: receipts, repeats, batches, streams, digits (DESIGN section 4; CONTRACT A)."""

import json
from hashlib import sha256

import pytest
import rfc8785

from tests import factories as make
from tests.api.reading_back import PROBLEM, indexes, rows, slug

pytestmark = pytest.mark.usefixtures("standing_unit")  # takes the indexes 0 to 4

NDJSON = "application/x-ndjson"
RECEIPT = ("leaf", "discrepancies", "warnings", "again")
ADDED = ("index", "seq", "recorded_at", "recorded_by", "signed")


def hashed(answer):
    """The hashed text again: RFC 8785 of the answer without its receipt, by a library of its own."""
    return rfc8785.dumps({k: v for k, v in answer.items() if k not in RECEIPT})


def leaf(text):
    """RFC 6962, 2.1: SHA-256 of a zero byte and the entry."""
    return sha256(b"\x00" + text).hexdigest()


def lines(answer):
    return [json.loads(line) for line in answer.data.splitlines()]


def as_ndjson(*entries):
    return b"".join(json.dumps(e).encode() + b"\n" for e in entries)


# One entry


def test_an_entry_is_answered_with_what_was_sent_and_what_the_book_added(post, client):
    sent = make.reading("0.30", hours="100", job="J-1")
    answer = post(sent)
    found = answer.json
    assert (201, "application/json") == (answer.status_code, answer.content_type)
    assert sent == {k: found[k] for k in sent}
    assert {*sent, "index", "seq", "recorded_at", "recorded_by", "leaf", "discrepancies", "warnings"} == found.keys()
    assert (5, 1, "2026-01-05T12:00:00.000000Z") == (found["index"], found["seq"], found["recorded_at"])
    assert answer.headers["Location"] == f"/v1/entries/{sent['id']}"
    assert found == client.get(answer.headers["Location"]).json


def test_the_leaf_is_that_of_the_hashed_text(post, store, book):
    """RFC 6962 and RFC 8785, worked out here with hashlib and the rfc8785 library."""
    for entry in (
        make.scanned(),
        make.reading("0.30", hours="100"),
        make.finding_raised(more={"words": 'Späne, 0,30 mm, "hart" \\ 刃 \U0001f527 \u2028'}),
        make.released(more={"second": "lou.lead"}, by="mo.manager"),
        make.scanned(device={"id": "pad-1", "seq": 1, "note": {"clock_moved_ms": -5}}, seen_index=3, client="x/1"),
    ):
        found = post(entry).json
        text = hashed(found)
        assert leaf(text) == found["leaf"]
        assert text in {row[2] for row in rows(store)["entry"]}, "the stored text is the hashed one, to the byte"


def test_names_beyond_ascii_are_sorted_as_rfc_8785_says(post, store):
    """RFC 8785, 3.2.3: by UTF-16 unit, so U+1F527 (D83D DD27) comes before U+FB33; code points would not."""
    names = {"\ufb33": make.q("1", "mm"), "\U0001f527": make.q("2", "mm")}
    found = post(make.work_done(more={"amounts": names})).json
    assert leaf(hashed(found)) == found["leaf"]
    (text,) = [row[2].decode() for row in rows(store)["entry"] if b'"amounts"' in row[2]]
    assert text.index("\U0001f527") < text.index("\ufb33")


def test_who_sent_it_is_the_id_of_the_token_and_no_part_of_its_secret(post, store, client):
    found = post(make.scanned()).json
    token = client.environ_base["HTTP_AUTHORIZATION"].removeprefix("Bearer ")
    assert found["recorded_by"] == token.split(".")[1]


def test_defaults_are_not_written_into_an_entry(post):
    """DESIGN section 4: an omitted source is `live` but is not stored."""
    found = post(make.scanned()).json
    assert "source" not in found
    assert "signed" not in found


@pytest.mark.parametrize(
    ("role", "signed"), [("admin", {"by": "vouched", "second": "vouched"}), ("bench", {"by": "none", "second": "none"})]
)
def test_a_signed_type_says_how_its_signatures_are_proved(client_of, role, signed):
    """CONTRACT A, Signatures: an admin's token speaks for its people, a bench token proves nothing."""
    entry = make.released(more={"second": "lou.lead"}, by="mo.manager")
    answer = client_of(role).post("/v1/entries", json=entry)
    assert (201, signed) == (answer.status_code, answer.json["signed"])
    assert leaf(hashed(answer.json)) == answer.json["leaf"]


def test_a_type_signed_through_its_second_alone_says_so_only_when_there_is_one(post):
    assert {"second": "vouched"} == post(
        make.check_answered(by="ada.bench") | {"data": {"check": "guards", "answer": "ok", "second": "lou.lead"}}
    ).json["signed"]
    assert "signed" not in post(make.check_answered()).json


# The same again


def test_the_same_entry_again_is_answered_with_the_first_answer(post, clock, store):
    entry = make.reading("0.30")
    first = post(entry).json
    before = rows(store)
    clock.advance(hours=1)
    again = post(entry)
    assert 200 == again.status_code
    assert first | {"again": True} == again.json
    assert before == rows(store)


def test_the_order_of_members_and_blanks_do_not_make_another_entry(post, client):
    entry = make.reading("0.30")
    post(entry)
    turned = json.dumps(dict(reversed(entry.items())), indent=3)
    assert 200 == client.post("/v1/entries", data=turned, content_type="application/json").status_code


@pytest.mark.parametrize(
    "changes",
    [
        {"occurred_at": "2026-01-05T08:00:00Z"},  # the same moment, typed in another way
        {"occurred_at": "2026-01-05T09:00:00.0+01:00"},
        {"source": {"kind": "live"}},  # what an omitted source means
        {"data": {"place": "bench"}},
        {"subject": "unit:U-2"},
        {"seen_index": 3},
    ],
    ids=str,
)
def test_equality_is_over_the_members_as_they_were_sent(post, store, changes):
    """CONTRACT A, Same again: nothing is filled in and nothing converted before comparing."""
    entry = make.scanned(occurred_at="2026-01-05T09:00:00+01:00")
    post(entry)
    before = rows(store)
    answer = post(entry | changes)
    assert (409, "id-reused", PROBLEM) == (answer.status_code, slug(answer.json), answer.content_type)
    assert before == rows(store)


def test_a_digit_more_is_another_entry(post):
    entry = make.reading("0.3")
    post(entry)
    assert 409 == post(entry | {"data": entry["data"] | {"readings": [{"value": "0.30"}]}}).status_code


def test_the_same_entry_twice_in_a_batch_is_recorded_once(post, store, book):
    entry = make.scanned()
    first, second = post([entry, entry]).json["outcomes"]
    assert (201, 200, True) == (first["status"], second["status"], second["again"])
    assert first["entry"] == second["entry"], "`again` stands on the outcome, not on the entry"
    assert [0, 1, 2, 3, 4, 5] == indexes(store, book.number)


def test_an_id_twice_in_a_batch_with_other_content_is_refused_the_second_time(post):
    entry = make.scanned()
    first, second = post([entry, entry | {"by": "bob.bench"}]).json["outcomes"]
    assert (201, 409, "id-reused") == (first["status"], second["status"], slug(second["problem"]))


def test_a_refused_entry_does_not_use_up_its_id(post):
    entry = make.scanned()
    assert 422 == post(entry | {"by": "no.body"}).status_code
    assert 201 == post(entry).status_code


def test_a_batch_sent_again_is_answered_as_before(post, store):
    batch = [make.registered("U-3"), make.reading("0.1", unit="U-3"), make.scanned(unit="U-3")]
    first = post(batch).json["outcomes"]
    before = rows(store)
    again = post(batch).json["outcomes"]
    assert [200, 200, 200] == [o["status"] for o in again]
    assert [o["entry"] for o in first] == [o["entry"] for o in again]
    assert before == rows(store)


def test_what_was_raised_is_said_again_when_the_entry_is_sent_again(post):
    """The receipt is kept: discrepancies as raised at that moment (CONTRACT C)."""
    post([make.meter_read("100"), make.meter_read("120", occurred_at="2026-01-05T09:10:00+01:00")])
    backwards = make.meter_read("90", occurred_at="2026-01-05T09:20:00+01:00")
    first = post(backwards).json
    assert ["meter-backwards"] == [d["code"] for d in first["discrepancies"]]
    assert first | {"again": True} == post(backwards).json


# Batches


def test_a_batch_is_answered_in_the_order_sent_and_a_bad_entry_stops_nobody(post, store, book):
    batch = [make.scanned(), make.scanned(by="no.body"), make.scanned(unit="U-2"), {"id": "x"}, make.scanned()]
    answer = post(batch)
    assert 200 == answer.status_code
    outcomes = answer.json["outcomes"]
    assert [201, 422, 201, 422, 201] == [o["status"] for o in outcomes]
    assert [e["id"] for e in batch] == [o["id"] for o in outcomes]
    assert [5, 6, 7] == [o["entry"]["index"] for o in outcomes if o["status"] == 201]
    assert [0, 1, 2, 3, 4, 5, 6, 7] == indexes(store, book.number)


def test_entries_of_one_batch_have_one_moment_of_recording(post):
    outcomes = post([make.scanned(), make.scanned()]).json["outcomes"]
    assert 1 == len({o["entry"]["recorded_at"] for o in outcomes})


def test_recorded_at_never_falls_even_when_the_clock_does(post, clock):
    """DESIGN section 4: stamped last, never earlier than the entry before."""
    first = post(make.scanned()).json["recorded_at"]
    clock.advance(minutes=-3)
    assert first == post(make.scanned()).json["recorded_at"]
    clock.advance(minutes=10)
    assert "2026-01-05T12:07:00.000000Z" == post(make.scanned()).json["recorded_at"]


def test_seq_counts_on_each_subject_without_a_gap(tell):
    """U-1 and U-2 hold their registration; the numbers of refused entries are not used up."""
    found = tell(make.scanned(), make.scanned(unit="U-2"), make.scanned(), make.lot_received("L-1"), make.scanned())
    assert [1, 1, 2, 0, 3] == [e["seq"] for e in found]


def test_seq_goes_on_from_the_batch_before(tell, post):
    assert [1] == [e["seq"] for e in tell(make.scanned())]
    post(make.scanned(by="no.body"))
    assert [2, 3] == [e["seq"] for e in tell(make.scanned(), make.scanned())]


def test_ndjson_is_a_batch_too(client):
    body = as_ndjson(make.scanned(), make.scanned(by="no.body")) + b"\n  \n" + as_ndjson(make.scanned()).strip()
    answer = client.post("/v1/entries", data=body, content_type=NDJSON)
    assert (200, "application/json") == (answer.status_code, answer.content_type)
    assert [201, 422, 201] == [o["status"] for o in answer.json["outcomes"]]


@pytest.mark.parametrize(
    "line", [b"{", b"nothing", b'{"id": "a", "id": "b"}', b"\xff\xfe", b'{"a": NaN}', b"[" * 5000, b"x" * 300_000]
)
@pytest.mark.parametrize("accept", ["application/json", NDJSON])
def test_an_unreadable_line_is_one_outcome(client, line, accept):
    """CONTRACT A, Media: {id: null, status: 400, problem}; its neighbours are recorded."""
    body = as_ndjson(make.scanned()) + line + b"\n" + as_ndjson(make.scanned())
    answer = client.post("/v1/entries", data=body, content_type=NDJSON, headers={"Accept": accept})
    outcomes = lines(answer)[:3] if accept == NDJSON else answer.json["outcomes"]
    assert [201, 400, 201] == [o["status"] for o in outcomes]
    assert (None, "bad-json") == (outcomes[1]["id"], slug(outcomes[1]["problem"]))


# Streams


def test_a_stream_is_answered_line_by_line_with_an_honest_last_line(client, store, book):
    """CONTRACT A, Caps: {count: outcomes written, index: size of the book after the last chunk}. 1,203 lines are more
    than two chunks; every hundredth names nobody."""
    entries = [make.scanned(by="no.body" if n % 100 == 0 else "ada.bench") for n in range(1203)]
    answer = client.post("/v1/entries", data=as_ndjson(*entries), content_type=NDJSON, headers={"Accept": NDJSON})
    *outcomes, last = lines(answer)
    assert (200, NDJSON) == (answer.status_code, answer.content_type)
    assert [e["id"] for e in entries] == [o["id"] for o in outcomes]
    assert 13 == sum(o["status"] == 422 for o in outcomes)
    assert {"count": 1203, "index": 5 + 1190} == last
    assert list(range(5 + 1190)) == indexes(store, book.number)


def test_a_stream_may_be_longer_than_a_batch(client):
    """5,001 lines, which JSON would refuse; the same line again and again costs little."""
    body = as_ndjson(make.scanned()) * 5001
    answer = client.post("/v1/entries", data=body, content_type=NDJSON, headers={"Accept": NDJSON})
    *outcomes, last = lines(answer)
    assert (5001, {"count": 5001, "index": 6}) == (len(outcomes), last)
    assert {200: 5000, 201: 1} == {s: sum(o["status"] == s for o in outcomes) for s in (200, 201)}


def test_an_empty_stream_ends_at_once(client):
    answer = client.post("/v1/entries", data=b"", content_type=NDJSON, headers={"Accept": NDJSON})
    assert [{"count": 0, "index": 5}] == lines(answer)


def test_a_stream_sent_again_records_nothing(client, store):
    body = as_ndjson(*(make.scanned() for _ in range(600)))
    first = client.post("/v1/entries", data=body, content_type=NDJSON, headers={"Accept": NDJSON})
    assert 601 == len(lines(first))
    before = rows(store)
    answer = client.post("/v1/entries", data=body, content_type=NDJSON, headers={"Accept": NDJSON})
    *outcomes, last = lines(answer)
    assert ({200}, {"count": 600, "index": 605}) == ({o["status"] for o in outcomes}, last)
    assert before == rows(store)


# Digits and letters


@pytest.mark.parametrize(
    "value",
    ["0.30", "0.3", "0", "-0", "0.00", "-0.0", "100", "1234567890123456789012345", "0.123456789012345678901234"],
)
def test_a_decimal_stays_as_it_was_written(post, client, store, value):
    """No float comes near it: 25 digits before the point, 24 after, trailing and negative zeros."""
    entry = make.reading(value)
    found = post(entry).json
    assert value == found["data"]["readings"][0]["value"]
    stored = next(row[2] for row in rows(store)["entry"] if entry["id"].encode() in row[2])
    assert b'"value":"%b"' % value.encode() in stored
    (shown,) = client.get("/v1/units/U-1/history?order=newest&limit=1").json["entries"]
    assert value == shown["data"]["readings"][0]["value"]


def test_the_latest_reading_is_shown_with_its_digits(post, ask):
    post(make.reading("0.30", "0.20"))
    row = ask("/v1/units/U-1/condition")["characteristics"][0]
    assert ("0.30", ["0.30", "0.20"]) == (row["latest"]["value"], [r["value"] for r in row["latest"]["readings"]])


@pytest.mark.parametrize(
    "words",
    [
        "Spindelmutter ausgeschlagen, ø 20 mm",
        "ナット摩耗",
        "\u202eevil",
        "e\u0301 é",
        "🔧" * 1000,
        "a\nb\tc",
        "</script>",
    ],
)
def test_words_come_back_as_they_were_written(post, client, words):
    """No normalising either: e + accent and é stay two texts."""
    entry = make.finding_raised(more={"words": words})
    found = post(entry).json
    assert words == found["data"]["words"] == client.get(f"/v1/entries/{entry['id']}").json["data"]["words"]
    assert leaf(hashed(found)) == found["leaf"]


def test_a_value_that_is_not_known_is_a_fact(post, ask):
    """DESIGN section 4: {"unknown": why}, wherever a quantity or a date may stand."""
    entry = make.reading("0.30")
    entry["data"] |= {"hours": {"unknown": "meter torn off"}, "readings": [{"value": {"unknown": "dial stuck"}}]}
    assert 201 == post(entry).status_code
    assert 201 == post(make.service_planned({"unknown": "not agreed yet"})).status_code
    row = ask("/v1/units/U-1/condition")["characteristics"][0]
    assert "undecided" == row["conformity"]["outcome"]


# Where an entry is found


def found_under(ask, **query):
    return [e["id"] for e in ask("/v1/entries", **query)["entries"]]


def test_an_entry_is_found_under_everything_that_it_names(tell, ask):
    (read, fit, typed) = tell(
        make.reading("0.30", gauge="G-1", job="J-7"),
        make.fitted("feed-nut", make.piece(lot="L-1")),
        make.scanned(unit="U-2", by="bob.bench", typed_by="lou.lead"),
    )
    assert read["id"] in found_under(ask, subject="unit:U-1")
    assert read["id"] in found_under(ask, subject="unit:G-1")
    assert [read["id"]] == found_under(ask, job="J-7")
    assert [fit["id"]] == found_under(ask, subject="lot:L-1")
    assert [typed["id"]] == found_under(ask, subject="person:bob.bench")
    assert [typed["id"]] == found_under(ask, subject="person:lou.lead")
    assert [] == found_under(ask, subject="lot:L-2")


def test_all_entries_come_in_the_order_of_the_book_a_page_at_a_time(tell, client):
    tell(*(make.scanned() for _ in range(6)))
    found, address = [], "/v1/entries?limit=4"
    while address:
        answer = client.get(address)
        found += answer.json["entries"]
        link = answer.headers.get("Link", "")
        address = link.partition("<")[2].partition(">")[0]
        assert bool(address) == (answer.json["next"] is not None)
    assert list(range(11)) == [e["index"] for e in found]
    assert all(leaf(hashed(e)) == e["leaf"] for e in found)


def test_one_entry_is_read_by_its_id(tell, client):
    (entry,) = tell(make.scanned())
    assert entry == client.get(f"/v1/entries/{entry['id']}").json
    assert 404 == client.get(f"/v1/entries/{make.entry_id(999)}").status_code
    assert 404 == client.get("/v1/entries/nonsense").status_code


# What is odd is said, not refused


def test_an_attachment_may_come_after_its_entry(post):
    """CONTRACT A, Attachments: warning `attachment-awaited`."""
    photo = {"sha256": "0" * 64, "media_type": "image/jpeg", "bytes": 3, "name": "photo"}
    found = post(make.scanned(attachments=[photo])).json
    assert [("attachment-awaited", "/attachments/0")] == [(w["warning"], w["pointer"]) for w in found["warnings"]]


def test_a_party_outside_the_directory_is_a_fact_with_a_warning(post):
    found = post(make.dispatched("nobody-inc")).json
    assert ["unknown-party"] == [w["warning"] for w in found["warnings"]]
    assert [] == post(make.dispatched("party-a")).json["warnings"]


def test_a_characteristic_that_no_sheet_knows_is_a_fact(post):
    found = post(make.reading("0.30", characteristic="TST-XX")).json
    assert ["unknown-characteristic"] == [d["code"] for d in found["discrepancies"]]


def test_a_sheet_that_moves_to_another_class_is_read_there_from_then_on(post):
    """Both classes' sheets were read before it moved, and are read again when it comes back."""
    post(make.registered("U-9", "OTH"))
    sheet = make.sheet_issued("OTH")
    moved = make.reattributed(sheet, "class:THD")

    def told(unit):
        found = post(make.reading("0.30", unit=unit)).json
        return [d["code"] for d in found["discrepancies"]]

    post(make.registered("U-8", "THD"))
    unknown = ["unknown-characteristic"]
    for entry, expected in ((sheet, [[], unknown]), (moved, [unknown, []]), (make.withdrawn(moved), [[], unknown])):
        assert 201 == post(entry).status_code
        assert expected == [told("U-9"), told("U-8")]


def test_a_tag_read_wrong_is_kept_as_read(post):
    found = post(make.scanned(tag="FT.J3K70S6EA", tag_read="typed")).json
    assert ("FT.J3K70S6EA", ["bad-tag"]) == (found["tag"], [w["warning"] for w in found["warnings"]])


@pytest.mark.parametrize("path", ["/v1/units/%00", "/v1/units/U%00-1/gate", "/v1/releases/%00", "/v1/jobs/%00"])
def test_nothing_is_called_by_an_address_that_holds_a_nul(client, book, path):
    """A server store cannot even be asked for it."""
    answer = client.get(path)
    word = "unknown-unit" if "units" in path else "not-found"
    assert (404, word) == (answer.status_code, answer.json["type"].rpartition("/")[2])


@pytest.mark.parametrize("query", ["/v1/holds?unit=%00", "/v1/units?cursor=x%00", "/v1/entries?job=%00&limit=1"])
def test_a_query_that_holds_a_nul_asks_nothing(client, book, query):
    answer = client.get(query)
    asked = query.partition("?")[2].partition("=")[0]
    assert (422, [(f"?{asked}", "bad-query")]) == (
        answer.status_code,
        [(e["pointer"], e["code"]) for e in answer.json["errors"]],
    )
