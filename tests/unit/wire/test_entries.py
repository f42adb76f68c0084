import json
from hashlib import sha256

import pytest
import rfc8785
from hypothesis import given
from hypothesis import strategies as st

from service_api.domain.entries.registry import TYPES
from service_api.domain.entry import Envelope, Recorded, Signed
from service_api.domain.plain import hints_of
from service_api.domain.refusals import Malformed
from service_api.wire.entries import near, read_draft, read_stored, recorded, splice
from tests import factories as f
from tests.unit.test_entry_examples import EXAMPLES

REQUIRED = ("id", "type", "v", "subject", "occurred_at", "by", "data")
OPTIONAL = {  # every member that a client may leave out, in a form beyond ASCII where the form allows it
    "typed_by": "p2",
    "job": "J-1",
    "site": "Häfen",
    "bench": "b\u2028 \U0001f600",
    "tag": "\ufb33-1",
    "tag_read": "typed",
    "seen_index": 3,
    "client": "bench 1",
    "device": {"id": "tab-1", "seq": 4, "clock_offset_ms": -3, "note": {"clock_moved_ms": 9}},
    "source": {"kind": "paper", "ref": "Blatt 7"},
    "attachments": [{"sha256": "ab" * 32, "media_type": "image/png", "bytes": 7, "name": "ö.png"}],
}
SIGNED = st.none() | st.builds(
    Signed, by=st.sampled_from(["vouched", "none", None]), second=st.sampled_from(["session", None])
).filter(lambda s: s.by or s.second)


@given(
    st.sampled_from(sorted(TYPES)),
    st.sets(st.sampled_from(sorted(OPTIONAL))),
    st.integers(0, 2**53 - 1),
    st.integers(0, 2**40),
    SIGNED,
)
def test_splicing_gives_the_canonical_form_of_the_whole_entry(name, given_too, index, seq, signed):
    """Differential against rfc8785 for every type and every choice of optional members."""
    raw = {m: EXAMPLES[name][m] for m in REQUIRED} | {m: OPTIONAL[m] for m in given_too}
    draft = read_draft(raw, computed=True)
    at, by = "2026-01-05T11:00:00.123456Z", "token-1"
    text = splice(draft, index, seq, at, by, signed)
    whole = raw | {"index": index, "seq": seq, "recorded_at": at, "recorded_by": by}
    if signed:
        whole["signed"] = {k: v for k, v in (("by", signed.by), ("second", signed.second)) if v}
    assert rfc8785.dumps(whole) == text
    assert read_stored(text) == recorded(draft, index, seq, at, by, signed)


@pytest.mark.parametrize("name", TYPES)
def test_the_digest_is_over_what_the_client_sent_and_nothing_else(name):
    """CONTRACT A, Same again: equality is over the members that the client sent, nothing filled in."""
    draft = read_draft(EXAMPLES[name], computed=True)
    assert sha256(rfc8785.dumps(EXAMPLES[name])).digest() == draft.digest


def test_the_books_own_members_go_where_the_text_is_cut():
    """RFC 8785 sorts names: behind which of the client's does each of the book's own stand?"""
    assert {*REQUIRED, *OPTIONAL} == set(hints_of(Envelope))
    behind, last = {}, ""
    for name in sorted(hints_of(Recorded)):
        if name in hints_of(Envelope):
            last = name
        else:
            behind[name] = last
    assert behind == {
        "index": "id",
        "recorded_at": "occurred_at",
        "recorded_by": "occurred_at",
        "seq": "seen_index",
        "signed": "seen_index",
    }


def test_a_text_that_looks_like_a_member_is_not_cut():
    looks = '"id":"01990000-0000-7000-8000-000000000000","occurred_at":"x","seen_index":7,'
    raw = f.scanned(site=looks, source={"kind": "paper", "ref": looks}, tag=looks, client='"id":"', bench="\\")
    draft = read_draft(raw)
    text = splice(draft, 3, 4, "2026-01-05T11:00:00.123456Z", "t", None)
    own = {"index": 3, "seq": 4, "recorded_at": "2026-01-05T11:00:00.123456Z", "recorded_by": "t"}
    assert rfc8785.dumps(raw | own) == text


def codes(raw, **more):
    with pytest.raises(Malformed) as refused:
        read_draft(raw, **more)
    return [(x.pointer, x.code) for x in refused.value.faults]


def test_every_fault_is_named_at_once():
    raw = f.reading("0.3x", uom="nope", occurred_at="yesterday")
    assert {
        ("/occurred_at", "bad-moment"),
        ("/data/uom", "unknown-uom"),
        ("/data/readings/0/value", "bad-decimal"),
    } == set(codes(raw | {"extra": 1})) - {("/extra", "extra-member")}


@pytest.mark.parametrize("value", [None, 3, "x", [], True])
def test_what_is_no_object_is_no_entry(value):
    assert [("", "wrong-form")] == codes(value)


def test_an_unknown_type_is_told_the_likeliest_ones():
    with pytest.raises(Malformed) as refused:
        read_draft(f.entry("part.fited", {}))
    assert "unknown-type" == refused.value.slug
    assert "part.fitted" == refused.value.faults[0].near[0]
    assert () == near("zzzzzz", tuple(TYPES))


def test_another_version_of_a_type_is_unknown():
    assert [("/v", "unknown-version")] == codes(f.scanned(v=2))


@pytest.mark.parametrize("name", [n for n, t in TYPES.items() if t.computed])
def test_a_type_that_the_service_writes_is_refused_from_a_client(name):
    assert [("/type", "computed-type")] == codes(EXAMPLES[name])


@pytest.mark.parametrize("name", TYPES)
def test_a_subject_of_the_wrong_kind_is_refused(name):
    for kind in ("unit", "lot", "person", "class", "alert", "shop"):
        raw = EXAMPLES[name] | {"subject": f"{kind}:X-1"}
        if kind in TYPES[name].subjects:
            assert f"{kind}:X-1" == read_draft(raw, computed=True).entry.subject
        else:
            assert [("/subject", "wrong-subject")] == codes(raw, computed=True)


def test_the_second_person_is_another_than_the_first():
    assert [("/data/second", "second-is-first")] == codes(f.released(more={"second": f.PERSON}))


def test_a_concession_has_an_end_and_one_matter():
    data = {"concession": "C", "for": {"finding": "F-1"}, "why": "short hire"}
    assert [("/data/until_on", "missing-member")] == codes(f.entry("concession.granted", data))
    both = data | {"for": {"finding": "F-1", "characteristic": "X"}, "until_on": "2026-02-01"}
    assert [("/data/for", "wrong-form")] == codes(f.entry("concession.granted", both))
    assert [("/data/for", "wrong-form")] == codes(f.entry("concession.granted", both | {"for": {}}))


def test_a_plan_has_a_day_or_a_count_of_hours():
    assert [("/data/due_on", "missing-member")] == codes(f.entry("service.planned", {"why": "by the sheet"}))


def test_a_text_of_48_KiB_is_taken_and_one_byte_more_is_not():
    """DESIGN section 4: a canonical text over 48 KiB is refused. Names of up to 200 characters fill a map exactly."""

    def sized(more: int):
        words = {f"w{n:02}": "x" * 4000 for n in range(12)}
        raw = f.entry(
            "run.recorded", {"run": "R", "stage": "final", "sheet_rev": 1, "conditions": words, "results": []}
        )
        raw["id"] = f.entry_id(1)
        over = len(rfc8785.dumps(raw)) - 48 * 1024 - more
        words["w00"] = "x" * (4000 - over) if over > 0 else words["w00"]
        if over < 0:
            words["w99"] = "x" * (-over - len(',"w99":""'))
        assert 48 * 1024 + more == len(rfc8785.dumps(raw))
        return json.loads(json.dumps(raw))

    assert "run.recorded" == read_draft(sized(0)).entry.type
    assert [("", "too-long")] == codes(sized(1))
