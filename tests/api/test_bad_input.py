"""Every way to be malformed (DESIGN section 4; CONTRACT A), its pointer, and that nothing of it is kept.

Codes and pointers are those of CONTRACT A; the entries are made up.
"""

import json
from urllib.parse import urlsplit

import pytest
import rfc8785

from tests import factories as make
from tests.api.reading_back import PROBLEM, changed, faults, indexes, rows, slug, without
from tests.house.test_words import AT_422

pytestmark = pytest.mark.usefixtures("standing_unit")

ABSENT = object()
READ = make.reading("0.30", hours="100", gauge="G-1")
FIT = make.fitted("feed-nut", make.piece(lot="L-1"))
PLAN = make.service_planned("2026-06-01")
TAG = make.tag_attached("OWNER-7")
UPPER = "017F22E2-79B0-7CC3-98C4-DC0C0C07398F"  # RFC 9562, A.6, in capitals
DECIDED = make.entry("claim.decided", {"claim": "CL-1", "verdict": "covered", "answer": {}})
JUDGED = make.entry("verdict.reassessed", {"target": READ["id"], "because": "gauge found out", "answer": {}})
GOODWILL = make.entry("goodwill.granted", {"claim": "CL-1", "words": "as thanks", "signatory": "mo.manager"})
RETIRED = make.entry("unit.retired", {"why": "dropped", "authorised_by": "mo.manager"})
MERGED = make.entry("unit.merged", {"into": "U-2", "why": "one iron", "evidence": ["engraving"], "second": "lou.lead"})
GRANT = make.entry(
    "concession.granted", {"concession": "CO-1", "for": {"finding": "F-1"}, "why": "waits", "until_on": "2026-02-01"}
)
ENDLESS = make.entry("concession.granted", {"concession": "CO-1", "for": {"finding": "F-1"}, "why": "waits"})
HIRE = {"hire": {"from": "2026-01-06", "until": "2026-01-06"}}
HIRED = make.entry("unit.dispatched", {"to": "party-a"} | HIRE)
LET_GO = make.released(more=HIRE)
CHECKED = make.entry(
    "gauge.checked", {"points": [], "result": "pass", "covers": ["0.0", "1.0"], "uom": "mm"}, unit="G-1"
)
TERMS = make.entry(
    "terms.issued",
    {"terms": "T", "rev": 1, "effective_on": "2026-01-01", "zone": "+01:00", "promises": [{"clause": "W4"}]},
    subject="shop:depot",
)
NEXT = make.without_none(make.scanned(device={"id": "pad-1", "seq": 1, "clock_offset_ms": 0}, source={"kind": "live"}))
PHOTO = {"sha256": "0" * 64, "media_type": "image/jpeg", "bytes": 3, "name": "photo"}


def bad(name, entry, pointer, value, code, at=None):
    """One case: the entry with the member at `pointer` set to `value`; the fault is said of `at`, or of that member."""
    return pytest.param(entry, pointer, value, code, pointer if at is None else at, id=f"{code}-{name}")


CASES = [
    bad("of a near miss", FIT, "/type", "part.fited", "unknown-type"),
    bad("of nothing", FIT, "/type", "", "unknown-type"),
    bad("too high", FIT, "/v", 2, "unknown-version"),
    bad("nought", FIT, "/v", 0, "unknown-version"),
    *(
        bad(p[1:], FIT, p, ABSENT, "missing-member")
        for p in ["/id", "/type", "/v", "/subject", "/occurred_at", "/by", "/data"]
    ),
    bad("of the data", FIT, "/data/slot", ABSENT, "missing-member"),
    bad(
        "of a list's second",
        FIT,
        "/data/pieces",
        [{"part_no": "P-1", "qty": 1}, {"part_no": "P-1"}],
        "missing-member",
        "/data/pieces/1/qty",
    ),
    bad("of a quantity", READ, "/data/hours/uom", ABSENT, "missing-member"),
    bad("an end of a concession", GRANT, "/data/until_on", ABSENT, "missing-member"),
    bad(
        "no end but an unknown one",
        ENDLESS,
        "/data/until_hours",
        {"unknown": "later"},
        "missing-member",
        "/data/until_on",
    ),
    bad(
        "a concession until so many bar",
        GRANT,
        "/data/until_hours",
        make.q("9", "bar"),
        "wrong-dimension",
        "/data/until_hours/uom",
    ),
    bad("a hire that ends before it begins", HIRED, "/data/hire/until", "2026-01-05", "wrong-form"),
    bad("a release for such a hire", LET_GO, "/data/hire/until", "2026-01-05", "wrong-form"),
    bad("a day or hours of a plan", PLAN, "/data/due_on", ABSENT, "missing-member"),
    bad("of the envelope", FIT, "/colour", "red", "extra-member"),
    bad("that the book gives", FIT, "/index", 7, "extra-member"),
    bad("that is a receipt's", FIT, "/leaf", "00", "extra-member"),
    bad("of the data", FIT, "/data/colour", "red", "extra-member"),
    bad("of a reading", READ, "/data/readings/0/colour", "red", "extra-member"),
    bad("of a device", NEXT, "/device/colour", "red", "extra-member"),
    bad("with signs in its name", FIT, "/data/a~1b~0c", "red", "extra-member"),
    bad("a quantity's", READ, "/data/hours", {"value": "1", "unknown": "torn"}, "extra-member", "/data/hours/value"),
    # JSON null is no value
    bad("null in the envelope", FIT, "/job", None, "wrong-form"),
    bad("null data", FIT, "/data", None, "wrong-form"),
    bad("null in the data", READ, "/data/gauge", None, "wrong-form"),
    bad("null in a list", READ, "/data/readings/0", None, "wrong-form"),
    bad("null value", READ, "/data/readings/0/value", None, "wrong-form"),
    bad("null type", FIT, "/type", None, "wrong-form"),
    bad("null inside open data", TERMS, "/data/promises/0/clause", None, "wrong-form"),
    # another kind of value
    bad("type a number", FIT, "/type", 7, "wrong-form"),
    bad("v a text", FIT, "/v", "1", "wrong-form"),
    bad("v a truth value", FIT, "/v", True, "wrong-form"),
    bad("data a list", FIT, "/data", [], "wrong-form"),
    bad("subject a list", FIT, "/subject", ["unit:U-1"], "wrong-form"),
    bad("moment a number", FIT, "/occurred_at", 1767600000, "wrong-form"),
    bad("list a text", READ, "/data/readings", "0.30", "wrong-form"),
    bad("list an object", READ, "/data/readings", {"value": "0.30"}, "wrong-form"),
    bad("record a text", READ, "/data/readings/0", "0.30", "wrong-form"),
    bad("text a list", FIT, "/data/slot", ["feed-nut"], "wrong-form"),
    bad("text an object", FIT, "/data/slot", {"slot": "feed-nut"}, "wrong-form"),
    bad("text a number", FIT, "/data/slot", 7, "wrong-form"),
    bad("whole number a text", FIT, "/data/pieces/0/qty", "1", "wrong-form"),
    bad("whole number a fraction", FIT, "/data/pieces/0/qty", 1.5, "wrong-form"),
    bad("whole number a truth value", FIT, "/data/pieces/0/qty", True, "wrong-form"),
    bad("whole number beyond 2^53", FIT, "/data/pieces/0/qty", 2**53, "wrong-form"),
    bad("truth value a text", make.finding_raised(), "/data/blocking", "true", "wrong-form"),
    bad("quantity a text", READ, "/data/hours", "100", "wrong-form"),
    bad("quantity a number", READ, "/data/hours", 100, "wrong-form"),
    bad("a range of three", CHECKED, "/data/covers", ["0", "1", "2"], "wrong-form"),
    bad("inside open data", TERMS, "/data/promises/0/share", 0.5, "bad-decimal"),
    bad("a concession for two", GRANT, "/data/for/characteristic", "TST-BL", "wrong-form", "/data/for"),
    bad("knowing more than the book has", FIT, "/seen_index", 6, "wrong-form"),
    bad("knowing less than nothing", FIT, "/seen_index", -1, "wrong-form"),
    # another form of text
    bad("id with a blank", FIT, "/job", "J 1", "wrong-form"),
    bad("id of nothing", FIT, "/job", "", "wrong-form"),
    bad("id of 65 characters", FIT, "/job", "j" * 65, "wrong-form"),
    bad("id with an accent", FIT, "/job", "Jé", "wrong-form"),
    bad("id with a line end", FIT, "/job", "J-1\n", "wrong-form"),
    bad("subject without kind", FIT, "/subject", "U-1", "wrong-form"),
    bad("subject of another kind", FIT, "/subject", "ship:U-1", "wrong-form"),
    bad("subject without id", FIT, "/subject", "unit:", "wrong-form"),
    bad("text of blanks", make.finding_raised(), "/data/words", "  ", "wrong-form"),
    bad("text of 4,001 characters", make.finding_raised(), "/data/words", "x" * 4001, "wrong-form"),
    bad("short text of 201 characters", FIT, "/data/pieces/0/part_no", "x" * 201, "wrong-form"),
    bad("text with NUL", make.finding_raised(), "/data/words", "a\x00b", "wrong-form"),
    bad("text with half a pair", make.finding_raised(), "/data/words", "a\ud800b", "wrong-form"),
    bad(
        "digest in capitals", FIT, "/attachments", [PHOTO | {"sha256": "A" * 64}], "wrong-form", "/attachments/0/sha256"
    ),
    bad("digest too short", FIT, "/attachments", [PHOTO | {"sha256": "0" * 63}], "wrong-form", "/attachments/0/sha256"),
    bad("place of a unit without id", FIT, "/data/from", "unit:", "wrong-form"),
    bad("date in other order", PLAN, "/data/due_on", "30.04.2026", "wrong-form"),
    bad("date with a time", PLAN, "/data/due_on", "2026-04-30T00:00:00Z", "wrong-form"),
    # words
    bad("of a stage", READ, "/data/stage", "found", "unknown-word"),
    bad("in capitals", READ, "/data/stage", "AS_FOUND", "unknown-word"),
    bad("of a source", NEXT, "/source/kind", "fax", "unknown-word"),
    bad("of a tag's reading", FIT, "/tag_read", "guessed", "unknown-word"),
    # subjects
    bad("a lot's on a unit", make.lot_received(), "/subject", "unit:U-1", "wrong-subject"),
    bad("a unit's on a lot", READ, "/subject", "lot:L-1", "wrong-subject"),
    bad("a class's on a unit", make.sheet_issued(), "/subject", "unit:U-1", "wrong-subject"),
    # ids of entries
    bad("in capitals", FIT, "/id", UPPER, "bad-id"),
    bad("without dashes", FIT, "/id", UPPER.lower().replace("-", ""), "bad-id"),
    bad("in braces", FIT, "/id", "{" + UPPER.lower() + "}", "bad-id"),
    bad("with a line end", FIT, "/id", UPPER.lower() + "\n", "bad-id"),
    bad("of nothing", FIT, "/id", "", "bad-id"),
    bad("of a target", make.annotated(READ), "/data/target", "entry 7", "bad-id"),
    # decimals
    *(
        bad(repr(value), READ, "/data/readings/0/value", value, "bad-decimal")
        for value in (
            0.3,
            3,
            True,
            "1e3",
            "1E3",
            "NaN",
            "Infinity",
            "-Infinity",
            " 1",
            "1 ",
            "1\n",
            "+1",
            "01",
            ".5",
            "1.",
            "0,30",
            "",
            "-",
            "--1",
            "0x10",
            "1_000",
            "½",
            "٣",
            "１",
            "9" * 26,
            "0." + "0" * 25,
        )
    ),
    bad("of a quantity", READ, "/data/hours/value", 100, "bad-decimal"),
    bad("of a range", CHECKED, "/data/covers/1", 1.0, "bad-decimal"),
    # units of measure
    bad("of a reading", READ, "/data/uom", "turns", "unknown-uom"),
    bad("of a quantity", READ, "/data/hours/uom", "hours", "unknown-uom"),
    bad("of nothing", READ, "/data/hours/uom", "", "unknown-uom"),
    bad("force for an angle", READ, "/data/uom", "N", "wrong-dimension"),
    bad("length for an angle without lead", READ, "/data/uom", "mm", "wrong-dimension"),
    # moments and dates
    bad("in words", FIT, "/occurred_at", "yesterday", "bad-moment"),
    bad("without seconds", FIT, "/occurred_at", "2026-01-05T09:00Z", "bad-moment"),
    bad("with a blank", FIT, "/occurred_at", "2026-01-05 09:00:00Z", "bad-moment"),
    bad("at 25 h", FIT, "/occurred_at", "2026-01-05T25:00:00Z", "bad-moment"),
    bad("with an offset of 24 h", FIT, "/occurred_at", "2026-01-05T09:00:00+24:00", "bad-moment"),
    bad("in the year 0", FIT, "/occurred_at", "0000-01-01T00:00:00Z", "no-such-date"),
    bad("of a photo", FIT, "/attachments", [PHOTO | {"taken_at": "noon"}], "bad-moment", "/attachments/0/taken_at"),
    bad("local time", FIT, "/occurred_at", "2026-01-05T09:00:00", "no-offset"),
    bad("of a moment", FIT, "/occurred_at", "2025-02-29T09:00:00Z", "no-such-date"),
    bad("30 February", PLAN, "/data/due_on", "2026-02-30", "no-such-date"),
    bad("month 13", PLAN, "/data/due_on", "2026-13-01", "no-such-date"),
    bad("a second late", FIT, "/occurred_at", "2026-01-05T12:05:01Z", "too-far-ahead"),
    bad("a second late elsewhere", FIT, "/occurred_at", "2026-01-05T17:35:01+05:30", "too-far-ahead"),
    # what is named must be there
    bad("as subject", FIT, "/subject", "unit:U-9", "unknown-unit"),
    bad("as gauge", READ, "/data/gauge", "G-9", "unknown-unit"),
    bad("as place", FIT, "/data/from", "unit:U-9", "unknown-unit"),
    bad("that pieces came from", FIT, "/data/pieces/0/unit", "U-9", "unknown-unit"),
    bad("as a piece", MERGED, "/data/into", "U-9", "unknown-unit"),
    bad(
        "in an alert",
        make.alert_issued(),
        "/data/scope",
        {"units": ["U-1", "U-9"]},
        "unknown-unit",
        "/data/scope/units/1",
    ),
    bad("who did it", FIT, "/by", "no.body", "unknown-person"),
    bad("who typed it", FIT, "/typed_by", "no.body", "unknown-person"),
    bad("as subject", make.authorised(), "/subject", "person:no.body", "unknown-person"),
    bad("as second", MERGED, "/data/second", "no.body", "unknown-person"),
    bad("who allowed it", RETIRED, "/data/authorised_by", "no.body", "unknown-person"),
    bad("who signed it", GOODWILL, "/data/signatory", "no.body", "unknown-person"),
    bad("of a correction", make.withdrawn(READ), "/data/target", UPPER.lower(), "unknown-entry"),
    # the rest
    bad("a claim's verdict", DECIDED, "/by", "ada.bench", "computed-type", "/type"),
    bad("a new verdict", JUDGED, "/by", "ada.bench", "computed-type", "/type"),
    bad("on one's own work", MERGED, "/data/second", "mo.manager", "second-is-first"),
    bad("a page", make.registered(), "/data/class", "TST", "already-registered", "/subject"),
    bad("with a wrong check character", TAG, "/data/tag", "FT.J3K70S6EA", "bad-tag"),  # T is right (seed/depot.py)
    bad("of nothing", TAG, "/data/tag", "", "bad-tag"),
    bad("of 101 characters", TAG, "/data/tag", "x" * 101, "bad-tag"),
    bad("with a tab", TAG, "/data/tag", "A\tB", "bad-tag"),
]


@pytest.mark.parametrize(("entry", "pointer", "value", "code", "at"), CASES)
def test_a_malformed_entry_is_refused_and_nothing_of_it_is_kept(
    entry, pointer, value, code, at, post, client, store, book
):
    """Alone: a problem document. In a batch: the same pointer inside the entry, and its neighbours are recorded."""
    wrong = without(entry, pointer) if value is ABSENT else changed(entry, pointer, value)
    if pointer != "/id":
        wrong["id"] = make.entry_id(900)
    before = rows(store)
    answer = post(wrong)
    problem = answer.json
    assert (422, PROBLEM, code) == (answer.status_code, answer.content_type, slug(problem))
    assert {"type", "title", "status", "detail", "instance"} <= problem.keys()
    assert (422, "/v1/entries") == (problem["status"], problem["instance"])
    assert [(at, code)] == faults(problem)
    assert problem["errors"][0]["detail"]
    assert 200 == client.get(urlsplit(problem["type"]).path).status_code
    assert before == rows(store), "a refused entry leaves nothing"

    left, right = make.scanned(), make.scanned(unit="U-2")
    outcomes = post([left, wrong, right]).json["outcomes"]
    assert [201, 422, 201] == [o["status"] for o in outcomes]
    assert [left["id"], wrong.get("id"), right["id"]] == [o["id"] for o in outcomes]
    assert (code, [(at, code)]) == (slug(outcomes[1]["problem"]), faults(outcomes[1]["problem"]))
    assert list(range(len(before["entry"]) + 2)) == indexes(store, book.number)


def test_every_code_of_the_contract_that_one_entry_can_earn_has_a_case():
    """CONTRACT A, Problems: the codes at 422, without those of batches and queries, which have tests of their own."""
    of_batches = {"bad-query", "empty-batch", "batch-refused", "too-long"}  # and a whole entry's length
    assert AT_422 - of_batches == {case.values[3] for case in CASES}


@pytest.mark.parametrize("value", [None, 7, "entry", True, 0.5, []], ids=repr)
def test_what_is_no_object_is_no_entry(value, post, store):
    before = rows(store)
    if value == []:
        value = [[]]
        problem = post(value).json["outcomes"][0]["problem"]
    else:
        problem = post(value).json
    assert [("", "wrong-form")] == faults(problem)
    assert before == rows(store)


def test_several_faults_are_all_listed_under_the_slug_malformed(post, store):
    before = rows(store)
    wrong = make.reading("1e3", uom="turns", stage="found", hours="100", by="no one")
    wrong["data"]["hours"]["value"] = 100
    wrong |= {"occurred_at": "2026-01-05T09:00:00", "colour": "red"}
    del wrong["data"]["characteristic"]
    problem = post(wrong).json
    assert (422, "malformed") == (problem["status"], slug(problem))
    assert {
        ("/by", "wrong-form"),
        ("/occurred_at", "no-offset"),
        ("/colour", "extra-member"),
        ("/data/characteristic", "missing-member"),
        ("/data/stage", "unknown-word"),
        ("/data/uom", "unknown-uom"),
        ("/data/readings/0/value", "bad-decimal"),
        ("/data/hours/value", "bad-decimal"),
    } == set(faults(problem))
    assert len(problem["errors"]) == len(set(faults(problem)))
    assert before == rows(store)


def test_faults_that_only_the_book_can_see_are_all_listed_too(post):
    wrong = make.reading("0.30", gauge="G-9", by="no.body", unit="U-9", occurred_at="2027-01-01T00:00:00Z")
    assert {
        ("/subject", "unknown-unit"),
        ("/by", "unknown-person"),
        ("/data/gauge", "unknown-unit"),
        ("/occurred_at", "too-far-ahead"),
    } == set(faults(post(wrong).json))


# The clock: five minutes ahead, once the device's known error is taken off (DESIGN section 4)


@pytest.mark.parametrize(
    ("offset_ms", "last_good", "first_bad"),
    [
        (None, "2026-01-05T12:05:00Z", "2026-01-05T12:05:00.001Z"),
        (0, "2026-01-05T12:05:00Z", "2026-01-05T12:05:00.001Z"),
        (3_600_000, "2026-01-05T13:05:00Z", "2026-01-05T13:05:00.001Z"),  # the device is an hour fast
        (-3_600_000, "2026-01-05T11:05:00Z", "2026-01-05T11:05:00.001Z"),  # an hour slow: it means an hour later
    ],
)
def test_five_minutes_ahead_is_the_last_moment_that_is_taken(post, offset_ms, last_good, first_bad):
    device = {} if offset_ms is None else {"device": {"id": "pad-1", "seq": 1, "clock_offset_ms": offset_ms}}
    assert 201 == post(make.scanned(occurred_at=last_good, **device)).status_code
    refused = post(make.scanned(occurred_at=first_bad, **device))
    assert [("/occurred_at", "too-far-ahead")] == faults(refused.json)


def test_a_moment_of_long_ago_is_a_fact(post):
    """CONTRACT A: lateness never refuses."""
    assert 201 == post(make.scanned(occurred_at="1962-03-01T08:00:00+01:00")).status_code


def test_the_true_moment_of_a_correction_may_not_lie_ahead_either(post, tell):
    (target,) = tell(make.scanned())
    assert 201 == post(make.superseded(target, {}, at="2026-01-05T12:05:00Z")).status_code
    refused = post(make.superseded(target, {}, at="2026-01-05T12:05:01Z")).json
    assert [("/data/occurred_at", "too-far-ahead")] == faults(refused)


@pytest.mark.parametrize("offset_ms", [2**53 - 1, -(2**53 - 1), 3_600_000])
def test_a_clock_error_that_leads_out_of_the_calendar_is_refused(post, store, offset_ms):
    at = "0001-01-01T00:30:00Z" if offset_ms == 3_600_000 else make.AT
    before = rows(store)
    wrong = make.scanned(occurred_at=at, device={"id": "pad-1", "seq": 1, "clock_offset_ms": offset_ms})
    assert [("/device/clock_offset_ms", "wrong-form")] == faults(post(wrong).json)
    assert before == rows(store)


# Unknown units: near misses, and registering them in the same batch


def test_an_unknown_unit_is_told_with_its_near_misses(post):
    problem = post(make.scanned(unit="U-11")).json
    assert ["U-1"] == problem["near"][:1]
    assert problem["near"] == problem["errors"][0]["near"]


def test_what_looks_like_nothing_has_no_near_misses(post):
    assert [] == post(make.scanned(unit="ZZZZZZZZ")).json["near"]


def test_an_unknown_type_is_told_with_its_near_misses(post):
    (error,) = post(changed(FIT, "/type", "part.fited")).json["errors"]
    assert "part.fitted" == error["near"][0]


def test_the_same_batch_may_register_the_unit(post):
    outcomes = post([make.registered("U-3"), make.scanned(unit="U-3"), make.reading("0.1", gauge="U-3")]).json[
        "outcomes"
    ]
    assert [201, 201, 201] == [o["status"] for o in outcomes]


def test_an_entry_before_its_registration_in_the_batch_is_refused(post):
    """Order counts: the batch is judged as it was sent."""
    outcomes = post([make.scanned(unit="U-3"), make.registered("U-3"), make.scanned(unit="U-3")]).json["outcomes"]
    assert [422, 201, 201] == [o["status"] for o in outcomes]


def test_a_unit_whose_registration_was_refused_stays_unknown_in_the_batch(post):
    outcomes = post([make.registered("U-3", by="no.body"), make.scanned(unit="U-3")]).json["outcomes"]
    assert ["unknown-person", "unknown-unit"] == [slug(o["problem"]) for o in outcomes]


def test_a_unit_is_registered_once_in_a_batch_too(post):
    outcomes = post([make.registered("U-3"), make.registered("U-3")]).json["outcomes"]
    assert [201, 422] == [o["status"] for o in outcomes]
    assert [("/subject", "already-registered")] == faults(outcomes[1]["problem"])


# Corrections


def test_a_correction_stands_on_the_subject_of_its_target(post, tell):
    (target,) = tell(make.reading("0.30"))
    refused = post(make.withdrawn(target, unit="U-2")).json
    assert [("/subject", "wrong-subject")] == faults(refused)


def test_a_correction_may_follow_its_target_in_the_batch_but_not_lead_it(post):
    first, second = make.reading("0.30"), make.reading("0.31")
    outcomes = post([make.withdrawn(second), first, make.withdrawn(first), second]).json["outcomes"]
    assert [422, 201, 201, 201] == [o["status"] for o in outcomes]
    assert [("/data/target", "unknown-entry")] == faults(outcomes[0]["problem"])


def test_new_data_is_checked_against_the_type_of_the_target(post, tell):
    (target,) = tell(make.reading("0.30"))
    data = target["data"] | {"readings": [{"value": "1e3"}], "stage": "found"}
    refused = post(make.superseded(target, data)).json
    assert {("/data/data/readings/0/value", "bad-decimal"), ("/data/data/stage", "unknown-word")} == set(
        faults(refused)
    )


def test_a_json_number_in_new_data_is_refused_where_it_stands(post, tell):
    (target,) = tell(make.reading("0.30"))
    refused = post(make.superseded(target, target["data"] | {"readings": [{"value": 0.31}]})).json
    assert [("/data/data/readings/0/value", "bad-decimal")] == faults(refused)


@pytest.mark.parametrize(
    ("member", "value", "code"),
    [("gauge", "G-9", "unknown-unit"), ("second", "no.body", "unknown-person"), ("uom", "N", "wrong-dimension")],
)
def test_new_data_names_only_what_the_book_knows(post, tell, member, value, code):
    """CONTRACT A, References and Uom: what an entry may not name, the data that replaces its own may not either."""
    (target,) = tell(make.reading("0.30"))
    refused = post(make.superseded(target, target["data"] | {member: value})).json
    assert [(f"/data/data/{member}", code)] == faults(refused)


def test_the_second_of_new_data_is_another_than_who_did_the_work(post, tell):
    (target,) = tell(make.reading("0.30"))
    refused = post(make.superseded(target, target["data"] | {"second": target["by"]}, by="lou.lead")).json
    assert [("/data/data/second", "second-is-first")] == faults(refused)


def test_a_move_to_where_it_stands_is_refused(post, tell):
    (target,) = tell(make.reading("0.30"))
    assert [("/data/to", "wrong-subject")] == faults(post(make.reattributed(target, "unit:U-1")).json)


def test_a_move_to_an_unknown_unit_is_refused(post, tell):
    (target,) = tell(make.reading("0.30"))
    assert [("/data/to", "unknown-unit")] == faults(post(make.reattributed(target, "unit:U-9")).json)


def test_a_correction_does_not_move_without_its_fact(post, tell):
    (target,) = tell(make.reading("0.30"))
    (note,) = tell(make.disputed(target))
    assert [("/data/to", "wrong-subject")] == faults(post(make.reattributed(note, "unit:U-2")).json)


def test_a_move_to_a_subject_of_another_kind_is_refused(post, tell):
    """A reading stands on a unit; a lot has no readings."""
    (target,) = tell(make.reading("0.30"))
    assert [("/data/to", "wrong-subject")] == faults(post(make.reattributed(target, "lot:L-1")).json)


def test_a_corrected_correction_keeps_its_target(post, tell):
    """Else a correction could come to stand on itself, or on what was recorded after it."""
    first, other = tell(make.reading("0.30"), make.reading("0.31"))
    (correction,) = tell(make.superseded(first, first["data"]))
    data = correction["data"] | {"target": other["id"]}
    assert [("/data/data/target", "wrong-form")] == faults(post(make.superseded(correction, data)).json)
    itself = make.entry_id(950)
    data = correction["data"] | {"target": itself}
    assert [("/data/data/target", "wrong-form")] == faults(post(make.superseded(correction, data, id=itself)).json)


def test_the_data_inside_a_corrected_correction_is_checked_too(post, tell):
    (first,) = tell(make.reading("0.30"))
    (correction,) = tell(make.superseded(first, first["data"]))
    data = correction["data"] | {"data": first["data"] | {"gauge": "G-9"}}
    assert [("/data/data/data/gauge", "unknown-unit")] == faults(post(make.superseded(correction, data)).json)


# Length


def padded(length):
    """An entry whose RFC 8785 text has exactly `length` bytes."""
    entry = make.tag_attached("OWNER-7")
    entry["data"]["evidence"] = ["x" * 4000] * 12
    missing = length - len(rfc8785.dumps(entry))
    entry["data"]["evidence"] += ["y" * (missing - 3)]  # quotes and comma
    assert length == len(rfc8785.dumps(entry))
    return entry


def test_48_kib_of_canonical_text_is_the_most(post):
    """DESIGN section 4: a canonical text over 48 KiB is refused; 49,152 bytes are not over."""
    assert 201 == post(padded(48 * 1024)).status_code
    refused = post(padded(48 * 1024 + 1)).json
    assert [("", "too-long")] == faults(refused)


def test_bytes_count_and_not_characters(post):
    entry = make.tag_attached("OWNER-7")
    entry["data"]["evidence"] = ["å" * 4000] * 7  # 28,000 characters, 56,000 bytes
    assert [("", "too-long")] == faults(post(entry).json)


# What is no batch


def send(client, body, content_type="application/json", **headers):
    return client.post("/v1/entries", data=body, content_type=content_type, headers=headers)


def refused(answer, status, expected):
    """A whole problem document, whose type resolves to a page that says what to do."""
    assert (status, PROBLEM, expected) == (answer.status_code, answer.content_type, slug(answer.json))
    assert {"type", "title", "status", "detail", "instance"} <= answer.json.keys()
    assert (status, answer.request.path) == (answer.json["status"], answer.json["instance"])
    return True


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"{",
        b"[1,",
        b"nothing",
        b'{"a": 1} {"b": 2}',
        b'{"id": "a", "id": "b"}',
        b'{"data": {"slot": "a", "slot": "a"}}',
        b'{"a": NaN}',
        b'{"a": Infinity}',
        b"{'a': 1}",
        b'{"a": "\xff"}',
        b"\xff\xfe{\x00}\x00",
        b"[" * 100_000,
        b'{"a": ' * 50_000,
        b'{"a": 01}',
        b'{"a": "\x01"}',
        b"9" * 5000,
    ],
    ids=lambda b: repr(b[:24]),
)
def test_what_is_no_json_is_400(client, store, body):
    before = rows(store)
    assert refused(send(client, body), 400, "bad-json")
    assert before == rows(store)


def test_the_type_of_a_problem_resolves_to_a_page(client):
    problem = send(client, b"{").json
    page = client.get(urlsplit(problem["type"]).path)
    assert (200, "text/html; charset=utf-8") == (page.status_code, page.content_type)
    assert problem["title"] in page.text


@pytest.mark.parametrize("media", ["application/json", "application/x-ndjson"])
def test_an_empty_batch_is_refused(client, media):
    body = "[]" if media == "application/json" else "\n \n"
    answer = send(client, body, media)
    assert refused(answer, 422, "empty-batch")
    assert [("", "empty-batch")] == faults(answer.json)


def test_a_body_over_5_mib_is_413(client, store):
    before = rows(store)
    assert refused(send(client, b" " * (6 * 1024 * 1024)), 413, "too-large")
    assert refused(send(client, b" " * (6 * 1024 * 1024), "application/x-ndjson"), 413, "too-large")
    assert before == rows(store)


def test_5001_entries_are_413(client, store):
    before = rows(store)
    body = json.dumps([make.scanned() for _ in range(5001)])
    assert refused(send(client, body), 413, "too-large")
    assert refused(send(client, "\n".join(["{}"] * 5001), "application/x-ndjson"), 413, "too-large")
    assert before == rows(store)


@pytest.mark.parametrize("media", ["text/plain", "application/xml", "application/x-www-form-urlencoded", ""])
def test_another_media_type_is_415(client, media):
    assert refused(send(client, json.dumps(make.scanned()), media), 415, "wrong-media-type")


def test_a_media_type_with_parameters_is_taken(client):
    assert 201 == send(client, json.dumps(make.scanned()), "application/json; charset=utf-8").status_code


def test_another_method_is_405_and_says_which_there_are(client):
    answer = client.delete("/v1/entries")
    assert refused(answer, 405, "wrong-method")
    assert {"GET", "POST"} <= set(answer.headers["Allow"].split(", "))


@pytest.mark.parametrize("path", ["/v1/nothing", "/nothing", "/v1/units/U-1/nothing", "/v1/problems/none", "/v1"])
def test_an_unknown_address_is_404(client, path):
    assert refused(client.get(path), 404, "not-found")


@pytest.mark.parametrize(
    "path", ["/v1/units/U-9/card", "/v1/units/U-9", "/v1/units/U-9/condition", "/v1/units/U-9/history"]
)
def test_an_unknown_unit_in_an_address_is_404_with_near_misses(client, path):
    answer = client.get(path)
    assert refused(answer, 404, "unknown-unit")
    assert {"U-1", "U-2"} == set(answer.json["near"])


# Queries


@pytest.mark.parametrize(
    ("path", "pointer"),
    [
        ("/v1/units?colour=red", "?colour"),
        ("/v1/units?limit=0", "?limit"),
        ("/v1/units?limit=501", "?limit"),
        ("/v1/units?limit=ten", "?limit"),
        ("/v1/units?limit=-1", "?limit"),
        ("/v1/units?limit=%D9%A3", "?limit"),
        ("/v1/units/U-1/card?true_at=yesterday", "?true_at"),
        ("/v1/units/U-1/card?true_at=2026-01-05T09:00:00+01:00", "?true_at"),  # a bare + is a blank
        ("/v1/units/U-1/card?true_at=2026-01-05", "?true_at"),
        ("/v1/units/U-1/card?known_at=2026-01-05T09:00:00", "?known_at"),
        ("/v1/units/U-1/card?known_index=6", "?known_index"),
        ("/v1/units/U-1/card?known_index=-1", "?known_index"),
        ("/v1/units/U-1/card?known_index=1.5", "?known_index"),
        ("/v1/units/U-1/card?known_index=5&known_at=2026-01-05T09:00:00Z", "?known_at"),
        ("/v1/units/U-1/history?order=random", "?order"),
        ("/v1/units/U-1/history?cursor=x", "?cursor"),
        ("/v1/classes/TST/sheet?on=2026-02-30", "?on"),
        ("/v1/classes/TST/sheet?on=20260105", "?on"),
        ("/v1/entries?subject=U-1", "?subject"),
        ("/v1/entries?cursor=-1", "?cursor"),
        ("/v1/people?limit=1", "?limit"),
        ("/v1/tags/X?nothing=1", "?nothing"),
    ],
)
def test_a_query_that_means_nothing_is_refused(client, path, pointer):
    answer = client.get(path)
    assert refused(answer, 422, "bad-query")
    assert [(pointer, "bad-query")] == faults(answer.json)


def test_a_query_member_twice_is_refused(client):
    """Which of the two was meant?"""
    answer = client.get("/v1/units/U-1/card?known_index=3&known_index=5")
    assert refused(answer, 422, "bad-query")
    assert [("?known_index", "bad-query")] == faults(answer.json)


# Strict batches


def test_a_strict_batch_with_a_bad_entry_records_nothing(post, store):
    """CONTRACT A, Strict: 422 `batch-refused` with outcomes, the good ones at 424."""
    before = rows(store)
    good, bad_one, unknown = make.scanned(), make.scanned(colour="red"), make.scanned(unit="U-9")
    answer = post([good, bad_one, unknown, good], Prefer="handling=strict")
    assert refused(answer, 422, "batch-refused")
    assert [424, 422, 422, 424] == [o["status"] for o in answer.json["outcomes"]]
    assert [good["id"], bad_one["id"], unknown["id"], good["id"]] == [o["id"] for o in answer.json["outcomes"]]
    assert [("/colour", "extra-member")] == faults(answer.json["outcomes"][1]["problem"])
    assert [("/subject", "unknown-unit")] == faults(answer.json["outcomes"][2]["problem"])
    assert before == rows(store)


def test_a_refused_strict_batch_uses_up_no_id(post):
    good = make.scanned()
    assert 422 == post([good, make.scanned(unit="U-9")], Prefer="handling=strict").status_code
    assert 201 == post(good).status_code


def test_a_good_strict_batch_is_recorded(post):
    answer = post([make.registered("U-3"), make.scanned(unit="U-3")], Prefer="handling=strict")
    assert (200, [201, 201]) == (answer.status_code, [o["status"] for o in answer.json["outcomes"]])


def test_a_strict_stream_is_refused(client):
    """CONTRACT A, Caps: strict with streaming is 400 `bad-query`."""
    headers = {"Accept": "application/x-ndjson", "Prefer": "handling=strict"}
    answer = send(client, json.dumps(make.scanned()), "application/x-ndjson", **headers)
    assert refused(answer, 400, "bad-query")
