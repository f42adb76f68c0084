"""Two labels crossed, and seven entries on the wrong page. Source: JOB.md 8.1, S4, and S2 for the vanes (invented)."""

from datetime import datetime

import pytest

from service_api.app import migrate
from service_api.ops import demo as filling
from tests.conftest import open_demo, settings_in

EVE = "2024-01-08T18:00:00+01:00"  # the evening before the labels were found crossed
SETTLED = "2024-01-09T18:00:00+01:00"
FOUND = datetime.fromisoformat("2024-01-09T00:00:00+01:00")
LOT = "VN-2311-C"
# JOB.md 8.1: four entries under the label of FAC-003 belong to FAC-006, three under that of FAC-006 to FAC-003
TO_FAC_006 = ["unit.dispatched", "unit.received", "reading.taken", "part.fitted"]
TO_FAC_003 = ["unit.dispatched", "unit.received", "reading.taken"]


def codes(answer):
    return [d["code"] for d in answer["discrepancies"]]


def machines(demo):
    return [u["unit"] for u in demo.ask("/v1/units", limit=500)["units"] if u["family"] == "machine"]


def holders(demo, **query):
    """The machines whose vane slot holds pieces of the lot."""
    found = []
    for unit in machines(demo):
        slots = demo.ask(f"/v1/units/{unit}/slots", **query)["slots"]
        occupant = next((s["occupant"] for s in slots if s["slot"] == "vane-set"), None)
        if occupant and LOT in {p["lot"] for p in occupant["pieces"]}:
            found.append(unit)
    return found


def history(demo, unit, **query):
    return demo.ask(f"/v1/units/{unit}/history", **query)["entries"]


def marked(demo, unit, mark):
    return [i for i in history(demo, unit) if i["mark"] == mark]


@pytest.fixture(scope="module")
def eve_index(filled_demo):
    """How many entries the book had on the evening before."""
    return filled_demo.ask("/v1/units/FAC-003/condition", known_at=EVE)["as_of"]["known_index"]


@pytest.fixture(scope="module")
def on_the_eve(tmp_path_factory):
    """The same depot, told no more than was told before 9 January 2024."""
    folder = tmp_path_factory.mktemp("eve")
    migrate(settings_in(folder).database)
    everything = filling.told
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(filling, "told", lambda until: ((at, b) for at, b in everything(until) if at < FOUND))
        found = open_demo(folder)
    yield found
    found.store.close()


# As scanned, before anybody knew


def test_s4_as_scanned_fac_003_drops_768_hours_and_that_is_a_meter_doubt(demo):
    """1,412.6 h on 10 October to 644.3 h on 12 December is 768.3 h down."""
    found = demo.ask("/v1/units/FAC-003/condition", known_at=EVE)
    (doubt,) = found["discrepancies"]
    assert ("meter-backwards", True) == (doubt["code"], doubt["holds_release"])
    shown = [demo.ask(f"/v1/entries/{ident}")["data"]["hours"]["value"] for ident in doubt["entries"]]
    assert ["1412.6", "644.3"] == shown
    assert pytest.approx(768.3) == float(shown[0]) - float(shown[1])
    assert "on_hold" == found["standing"]


def test_s4_as_scanned_the_hours_of_fac_003_are_a_range(demo):
    """CONTRACT D: low = the new reading, 644.3; high = the highest before and the new, 1,412.6 + 644.3 = 2,056.9."""
    hours = demo.ask("/v1/units/FAC-003/condition", known_at=EVE)["hours"]
    assert (None, "644.3", "2056.9") == (hours["value"], hours["low"], hours["high"])


def test_s4_as_scanned_fac_006_gains_864_hours_in_43_days_and_that_is_a_query(demo):
    """601.8 h on 16 October to 1,466.0 h on 28 November: 864.2 h in 43 days, 20.1 a day. A query holds nothing."""
    found = demo.ask("/v1/units/FAC-006/condition", known_at=EVE)
    (doubt,) = found["discrepancies"]
    assert ("meter-too-fast", False) == (doubt["code"], doubt["holds_release"])
    assert doubt["detail"].startswith("query: 20.1")
    before, after = (demo.ask(f"/v1/entries/{ident}") for ident in doubt["entries"])
    assert ("601.8", "1466.0") == (before["data"]["hours"]["value"], after["data"]["hours"]["value"])
    assert ("2023-10-16", "2023-11-28") == (before["occurred_at"][:10], after["occurred_at"][:10])


def test_s4_both_should_have_raised_a_query_in_2023(demo):
    """JOB.md 8.1: both in 2023; the receipts of the two readings say so, each on the day it was heard."""
    for unit, code in (("FAC-003", "meter-backwards"), ("FAC-006", "meter-too-fast")):
        raised = demo.ask(f"/v1/units/{unit}/condition", known_at=EVE)["discrepancies"][0]["key"].partition(":")[2]
        receipt = demo.ask(f"/v1/entries/{raised}")
        assert "2023" == receipt["recorded_at"][:4]
        assert [code] == codes(receipt)


def test_s4_as_scanned_the_second_vane_set_is_in_fac_003(demo):
    assert ["FAC-003"] == holders(demo, known_at=EVE)


def test_s4_seven_entries_carry_the_label_as_it_was_scanned(demo):
    for unit, types in (("FAC-003", TO_FAC_006), ("FAC-006", TO_FAC_003)):
        inside = [i for i in history(demo, unit, known_at=EVE) if "2023-10-18" <= i["occurred_at"][:10]]
        assert types == [i["type"] for i in inside]
        assert {(demo.ready.tags[unit], "scanned")} == {(i["tag"], i["tag_read"]) for i in inside}


# Settled on 9 January 2024


@pytest.mark.parametrize(("unit", "hours"), [("FAC-003", "1466.0"), ("FAC-006", "644.3")])
def test_s4_settled_neither_doubt_stands_and_hours_are_values(demo, unit, hours):
    """True chains: FAC-003 1,412.6 to 1,466.0; FAC-006 601.8 to 644.3."""
    found = demo.ask(f"/v1/units/{unit}/condition", known_at=SETTLED)
    assert [] == found["discrepancies"]
    assert (hours, None, None) == tuple(found["hours"][k] for k in ("value", "low", "high"))


def test_s4_no_doubt_is_left_today(demo):
    for unit in ("FAC-003", "FAC-006"):
        found = demo.ask(f"/v1/units/{unit}/condition")
        assert [] == found["discrepancies"]
        assert found["hours"]["value"] is not None


@pytest.mark.parametrize(("unit", "chain"), [("FAC-003", ["1412.6", "1466.0"]), ("FAC-006", ["601.8", "644.3"])])
def test_s4_the_true_chain_holds_for_every_past_moment(demo, unit, chain):
    days = ("2023-10-17", "2023-12-31")
    found = [demo.ask(f"/v1/units/{unit}/condition", true_at=f"{d}T12:00:00+01:00")["hours"]["value"] for d in days]
    assert chain == found


def test_s4_settled_the_second_vane_set_is_in_fac_006_alone(demo):
    assert ["FAC-006", "SEL-008"] == holders(demo), "the other set came from the hoist of S8"
    assert ["FAC-006"] == holders(demo, true_at="2023-12-31T12:00:00+01:00")
    (span,) = demo.ask("/v1/units/FAC-006/slots/vane-set")["history"]
    assert ("2023-12-12", 5) == (span["from"][:10], span["pieces"][0]["qty"])
    assert [] == demo.ask("/v1/units/FAC-003/slots/vane-set")["history"]


@pytest.mark.parametrize(
    ("old", "new", "types"), [("FAC-003", "FAC-006", TO_FAC_006), ("FAC-006", "FAC-003", TO_FAC_003)]
)
def test_s4_both_histories_show_every_moved_entry(demo, old, new, types):
    """JOB.md 4.1: leaves one history, joins the other, both show the move; CONTRACT C: id and old subject stay."""
    out, came = marked(demo, old, "moved_out"), marked(demo, new, "moved_in")
    assert types == [i["type"] for i in out]
    assert [i["id"] for i in out] == [i["id"] for i in came]
    assert [i["marked_by"] for i in out] == [i["marked_by"] for i in came]
    assert {(False, True)} == {(o["counts"], c["counts"]) for o, c in zip(out, came, strict=True)}
    assert {f"unit:{old}"} == {i["subject"] for i in came}


def test_s4_each_of_the_seven_was_moved_by_itself_with_a_reason_and_a_second_person(demo):
    moved = marked(demo, "FAC-003", "moved_out") + marked(demo, "FAC-006", "moved_out")
    assert 7 == len(moved)
    for entry in moved:
        (ident,) = entry["marked_by"]
        move = demo.ask(f"/v1/entries/{ident}")
        assert ("entry.reattributed", entry["id"]) == (move["type"], move["data"]["target"])
        assert ("2024-01-09", "iska.thornwell") == (move["occurred_at"][:10], move["by"])
        assert move["data"]["second"] not in (None, move["by"])
        assert "engraved serial" in move["data"]["why"]
        assert {"by": "vouched", "second": "vouched"} == move["signed"]
    assert 7 == len({i for entry in moved for i in entry["marked_by"]})


# The labels


@pytest.mark.parametrize(("unit", "other"), [("FAC-003", "FAC-006"), ("FAC-006", "FAC-003")])
def test_s4_the_label_says_what_it_hung_on_at_every_moment(demo, unit, other):
    """JOB.md 1.1: from when to when was this tag tied to this unit?"""
    ask, tag = demo.ask, f"/v1/tags/{demo.ready.tags[unit]}"
    assert unit == ask(tag, true_at="2023-10-17T12:00:00+01:00")["unit"]
    assert other == ask(tag, true_at="2023-12-12T08:20:00+01:00")["unit"]
    now = ask(tag)
    assert ("attached", unit, "2024-01-09", []) == (now["status"], now["unit"], now["since"][:10], now["warnings"])
    worn = [(w["unit"], w["since"][:10], w["until"][:10], w["why"]) for w in now["worn_before"]]
    assert [(unit, "2022-03-01", "2023-10-17", "crossed"), (other, "2023-10-17", "2024-01-09", "crossed")] == worn


@pytest.mark.parametrize("unit", ["FAC-003", "FAC-006"])
def test_s4_on_the_eve_the_label_was_believed(demo, unit):
    tag = demo.ready.tags[unit]
    assert unit == demo.ask(f"/v1/tags/{tag}", known_at=EVE, true_at="2023-12-12T08:20:00+01:00")["unit"]


def test_s4_the_labels_were_tied_again_on_evidence(demo):
    """The engraved serial of each iron, as registered."""
    for unit, serial in (("FAC-003", "74-2219"), ("FAC-006", "74-2237")):
        tied = [i for i in history(demo, unit) if i["type"] == "tag.attached"]
        assert demo.ready.tags[unit] == tied[-1]["data"]["tag"]
        assert any(serial in words for words in tied[-1]["data"]["evidence"])
        assert serial == demo.ask(f"/v1/units/{unit}")["serial"]


# What was said then can be said again


def everything_said(demo, **query):
    """The list of who holds the lot, and every answer about the two units, as bytes."""
    paths = [f"/v1/units/{unit}/slots/vane-set" for unit in machines(demo)]
    for unit in ("FAC-003", "FAC-006"):
        page = f"/v1/units/{unit}"
        paths += [page, f"{page}/condition", f"{page}/slots", f"{page}/card", f"{page}/wear/FAC-BL"]
        paths.append(f"/v1/tags/{demo.ready.tags[unit]}")
    return {path: demo.client.get(path, query_string=query).data for path in paths}


def test_s4_the_list_given_before_settling_comes_out_byte_for_byte(demo, on_the_eve, eve_index):
    """S2: the list given before settling must remain reproducible. The other book really knew no more."""
    assert eve_index == on_the_eve.ready.entries < demo.ready.entries
    assert ["FAC-003"] == holders(on_the_eve) == holders(demo, known_index=eve_index)
    given = everything_said(on_the_eve, known_index=eve_index)
    assert given == everything_said(demo, known_index=eve_index)
    assert given != everything_said(demo)


def test_s4_the_last_answer_of_the_eve_differs_only_in_what_was_asked(on_the_eve, demo, eve_index):
    """CONTRACT B: as_of.known_index is null where nobody asked for one."""
    for unit in ("FAC-003", "FAC-006"):
        said = on_the_eve.ask(f"/v1/units/{unit}/condition")
        again = demo.ask(f"/v1/units/{unit}/condition", known_index=eve_index)
        assert (None, eve_index) == (said["as_of"].pop("known_index"), again["as_of"].pop("known_index"))
        assert said == again


# The look-alikes


def test_s4_the_look_alikes_stay_quiet(demo):
    """No other machine's meter was ever doubted, and S10's is the only doubted slot."""
    doubted = {u: [c for c in codes(demo.ask(f"/v1/units/{u}/condition")) if is_doubt(c)] for u in machines(demo)}
    assert {"FAC-004": ["slot-contested"]} == {u: found for u, found in doubted.items() if found}
    on_the_day = {u: codes(demo.ask(f"/v1/units/{u}/condition", known_at=EVE)) for u in machines(demo)}
    assert ["FAC-003", "FAC-006"] == [u for u, found in on_the_day.items() if any(map(is_doubt, found))]


def is_doubt(code):
    return code.startswith("meter-") or code in ("slot-contested", "removed-from-empty", "serial-in-two-places")
