"""The bench page: scan, know, write a reading, see what it did. Stories and figures are those of JOB.md section 8."""

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

NUT = "SEL-BL"
S1_SENTENCE = (  # the bench brief, section 3, with the title that the sheet has
    "Radial feed screw backlash at the crank, SEL-004: six readings, 0.06 to 0.27 turn, 212.0 to 1,503.0 h."
    " Acting limit 0.31. Straight line reaches it about 7 June 2025 at 1,754 h; next planned service 10 June:"
    " it will be past. Order by mid-February (16 weeks)."
)


def today(minutes_ago: int = 0) -> str:
    return (datetime.now(UTC) - timedelta(minutes=minutes_ago)).isoformat(timespec="seconds")


@pytest.fixture(scope="session")
def dial(demo: Any) -> str:
    """A dial in calibration today: the demo's own certificates end with its story."""
    points = [{"at": at, "error": "0.001"} for at in ("0.10", "0.20", "0.50", "1.00")]
    body = {"as_found": points, "allowed_error": "0.008", "uom": "mm", "range": ["0", "10"], "uncertainty": "0.004"}
    demo.tell("gauge.calibrated", "unit:G-022", body | {"due": "2099-12-31"}, today(60))
    return "G-022"


def fill(bench: Any, *values: str) -> None:
    """Types the digits behind the point and Enter, comb by comb."""
    bench.page.locator("#comb-0").focus()
    for i, value in enumerate(values):
        bench.page.keyboard.type(value, delay=70)
        if i < len(values) - 1:
            bench.page.keyboard.press("Enter")


def hand(bench: Any, gauge: str = "", hours: str = "", who: str = "orrin.tamsley") -> None:
    bench.page.locator("#gauge").fill(gauge)
    bench.page.locator("#hours").fill(hours)
    bench.page.locator("#by").select_option(who)


def test_a_scanned_tag_puts_its_unit_on_the_clip(bench: Any) -> None:
    """One burst and Enter: number, engraved serial, standing and hours (JOB.md question 1)."""
    bench.open()
    assert "scan-box" == bench.page.evaluate("document.activeElement.id"), "the scan box waits for the first scan"
    bench.scan(bench.demo.tags["SEL-004"])
    bench.on_clip("SEL-004")
    clip = bench.text("#clip")
    for words in ("Portable shaft-end lathe, air", "iron 88-1412", "1,925.0 h"):
        assert words in clip
    assert "OUT" in bench.text("#clip-standing"), "on hire since October 2025"
    assert "0.07 turn: GOOD" in bench.text("#verdict")


def test_a_device_that_is_not_enrolled_is_told_what_to_do(bench_of: Any) -> None:
    bench = bench_of(enrolled=False).open()
    assert "enrolment link" in bench.said("#welcome-words", "link")
    assert "This device is not enrolled" == bench.text("#welcome-title")
    bench.scan(bench.demo.tags["SEL-004"])
    assert "not enrolled" in bench.said("#refused", "enrolment link"), "a scan gets an answer too"
    assert "fettlebook_bench" not in bench.page.evaluate("document.cookie"), "no script can read the token"


def test_the_past_is_shown_as_it_was_and_cannot_be_written_on(bench: Any) -> None:
    """S1 on 3 December 2024: the nut will cross its acting limit before the planned service."""
    bench.open("?unit=SEL-004&true_at=2024-12-03").on_clip("SEL-004")
    assert S1_SENTENCE == bench.text("#chart figcaption")
    assert "6" == bench.page.locator("#chart").get_attribute("data-points")
    assert "As it was on 3 December 2024" in bench.text("#then")
    assert "about 7 Jun 2025" in bench.text("#miss-lines")
    assert bench.page.locator("#key-keep").is_disabled()


def test_a_reading_kept_here_moves_the_condition_and_the_chart(bench: Any, dial: str) -> None:
    """The greatest of three places counts (the sheet's form is max), and the shop's own answer agrees."""
    bench.open("?unit=SEL-002").on_clip("SEL-002")
    before = int(bench.page.locator("#chart").get_attribute("data-points"))
    hours = int(bench.demo.ask("/v1/units/SEL-002/condition")["hours"]["value"].split(".")[0]) + 40
    hand(bench, dial, str(hours))
    fill(bench, "23", "22", "21")
    bench.page.keyboard.press("Enter")
    assert "as found 0.23, 0.22, 0.21 turn" in bench.said("#nib-kept", "the shop has it")
    bench.said("#verdict", "0.23 turn: WATCH")
    assert before + 1 == int(bench.page.locator("#chart").get_attribute("data-points"))
    now = bench.demo.condition("SEL-002", NUT)
    assert ("0.23", "watch") == (now["latest"]["value"], now["conformity"]["outcome"])
    assert ["0.23", "0.22", "0.21"] == [r["value"] for r in now["latest"]["readings"]]
    assert ["25", "50", "75"] == [r["position"] for r in now["latest"]["readings"]]
    assert f"{hours:,} h" in bench.text("#clip"), "the meter reading went with it"


def test_as_left_follows_as_found_and_not_adjusted_writes_nothing(bench: Any, dial: str) -> None:
    bench.open("?unit=SEL-006").on_clip("SEL-006")
    hand(bench, dial)
    fill(bench, "15", "15", "14")
    bench.page.keyboard.press("Enter")
    bench.said("#nib-kept", "as found")
    count = bench.demo.ask("/v1/units/SEL-006/history?limit=1")["count"]
    bench.page.locator("#key-still").click()
    bench.said("#nib-kept", "not adjusted")
    assert count == bench.demo.ask("/v1/units/SEL-006/history?limit=1")["count"]
    fill(bench, "15", "15", "14")
    bench.page.keyboard.press("Enter")
    bench.said("#nib-kept", "as found")
    fill(bench, "08", "08", "07")
    bench.page.keyboard.press("Enter")
    bench.said("#nib-kept", "as left 0.08, 0.08, 0.07 turn")
    newest = bench.demo.ask("/v1/units/SEL-006/history?limit=1&order=newest")["entries"][0]
    assert "as_left" == newest["data"]["stage"]


def test_the_page_of_the_unit_says_who_and_when(bench: Any, dial: str) -> None:
    bench.open("?unit=SEL-001").on_clip("SEL-001")
    hand(bench, dial, who="pell.marrowby")
    fill(bench, "09", "08", "08")
    bench.page.keyboard.press("Enter")
    bench.said("#nib-kept", "the shop has it")
    line = bench.page.locator("#page li").first
    line.locator(".whom", has_text="Pell Marrowby").wait_for()
    now = datetime.now()
    assert f"{now.day} {now:%b} {now.year}" in line.inner_text(), "in this device's own time"
    assert "0.09, 0.08, 0.08 turn at 25, 50, 75, with G-022" in line.inner_text()


def test_keyboard_alone_is_enough(bench: Any, dial: str) -> None:
    """Number, Enter, Tab to the boxes, digits, Enter: no pointer from first to last."""
    bench.open()
    keys = bench.page.keyboard
    keys.type("sel-005", delay=90)
    keys.press("Enter")
    bench.on_clip("SEL-005")

    def tab_to(ident: str) -> None:
        for _ in range(60):
            if bench.page.evaluate("document.activeElement.id") == ident:
                return
            keys.press("Tab")
        pytest.fail(f"Tab never reached {ident}")

    tab_to("gauge")
    keys.press("Control+a")
    keys.type(dial, delay=90)
    tab_to("by")
    keys.type("Fen", delay=90)
    bench.page.locator("#comb-0").wait_for()
    tab_to("comb-0")
    assert "none" != bench.page.evaluate("getComputedStyle(document.activeElement.parentElement).outlineStyle")
    for value in ("05", "06", "05"):
        keys.type(value, delay=90)
        keys.press("Enter")
    assert "0.05, 0.06, 0.05" in bench.said("#nib-kept", "the shop has it")
    assert "0.06" == bench.demo.condition("SEL-005", NUT)["latest"]["value"]


def test_keep_stays_shut_until_every_box_is_full(bench: Any) -> None:
    """0.3 is not 0.30, no digit fits beyond the sheet's resolution, and pressing Keep early says what is missing."""
    bench.open("?unit=SEL-003").on_clip("SEL-003")
    bench.page.locator("#comb-0").focus()
    bench.page.keyboard.type("3", delay=70)
    assert "true" == bench.page.locator("#key-keep").get_attribute("aria-disabled")
    bench.page.keyboard.press("Enter")
    assert "two digits after the point" in bench.said("#nib-refused", "At 25")
    bench.page.keyboard.type("09", delay=70)
    assert "0.30" == bench.page.locator("#comb-0").input_value()
    assert "Next" == bench.text("#key-keep")


def test_a_refusal_is_said_in_words_and_nothing_typed_is_lost(bench: Any, dial: str) -> None:
    bench.open("?unit=SEL-003").on_clip("SEL-003")
    hand(bench, "G-999")
    fill(bench, "20", "19", "20")
    bench.page.keyboard.press("Enter")
    said = bench.said("#nib-refused", "Not kept")
    assert "Gauge: not one of ours" in said
    assert "still here" in said
    assert ["0.20", "0.19", "0.20"] == [bench.page.locator(f"#comb-{i}").input_value() for i in range(3)]
    assert "gauge" == bench.page.evaluate("document.activeElement.id"), "the focus is where the fault is"
    bench.page.locator("#gauge").fill(dial)
    bench.page.locator("#gauge").press("Enter")
    assert "0.20, 0.19, 0.20" in bench.said("#nib-kept", "the shop has it")


def test_an_answer_that_got_lost_is_asked_for_again_under_the_same_id(bench: Any, dial: str) -> None:
    """The shop has the entry, the page does not know: the second Keep sends the same bytes and counts once."""
    bench.open("?unit=SEL-009").on_clip("SEL-009")
    sent: list[str] = []

    def lose_the_answer(route: Any) -> None:
        sent.append(route.request.post_data)
        if len(sent) == 1:
            route.fetch()
            route.abort()
        else:
            route.continue_()

    bench.page.route("**/v1/entries", lose_the_answer)
    hand(bench, dial)
    fill(bench, "04", "04", "05")
    bench.page.keyboard.press("Enter")
    bench.said("#nib-refused", "Press Keep again: it counts once")
    bench.page.locator("#key-keep").click()
    bench.said("#nib-kept", "the shop has it")
    assert sent[0] == sent[1]
    items = bench.demo.ask("/v1/units/SEL-009/history?limit=2&order=newest")["entries"]
    assert ["0.04", "0.04", "0.05"] == [r["value"] for r in items[0]["data"]["readings"]]
    assert "reading.taken" != items[1]["type"] or items[1]["data"]["readings"] != items[0]["data"]["readings"]


def test_a_scan_in_the_middle_of_writing_changes_the_unit_and_moves_nothing_over(bench: Any) -> None:
    """A fact never lands on the wrong iron; what was half written waits for its own unit."""
    bench.open("?unit=SEL-007").on_clip("SEL-007")
    bench.page.locator("#hours").fill("12")
    fill(bench, "31")
    bench.page.locator("#hours").focus()
    bench.scan(bench.demo.tags["SEL-008"])
    bench.on_clip("SEL-008")
    assert "0." == bench.page.locator("#comb-0").input_value()
    assert "" == bench.page.locator("#hours").input_value(), "neither the tag nor the other unit's hours"
    assert "SEL-008" in bench.text("#nib-words")
    bench.scan(bench.demo.tags["SEL-007"])
    bench.on_clip("SEL-007")
    assert "0.31" == bench.page.locator("#comb-0").input_value()


def test_a_bad_scan_while_the_shop_is_answering_does_not_lose_the_answer(bench: Any, dial: str) -> None:
    """The reading is kept once: the boxes are empty again, though something else was scanned meanwhile."""
    bench.open("?unit=SEL-009").on_clip("SEL-009")
    before = bench.demo.ask("/v1/units/SEL-009/history?limit=1")["count"]

    def answer_late(route: Any) -> None:
        bench.scan("FT.000000000")
        route.continue_()

    bench.page.route("**/v1/entries", answer_late)
    hand(bench, dial)
    fill(bench, "06", "06", "05")
    bench.page.keyboard.press("Enter")
    bench.said("#nib-kept", "the shop has it")
    bench.said("#refused", "FT.000000000")
    bench.page.locator("#key-keep").click(force=True)  # shut, as a thumb finds it
    bench.said("#nib-refused", "digits after the point")
    assert before + 1 == bench.demo.ask("/v1/units/SEL-009/history?limit=1")["count"]


def test_a_burst_in_a_box_leaves_the_box_as_it_was(bench: Any) -> None:
    bench.open("?unit=SEL-007").on_clip("SEL-007")
    bench.page.locator("#hours").fill("12")
    bench.page.locator("#hours").focus()
    bench.scan(bench.demo.tags["G-022"])
    bench.said("#kept", "G-022 is in hand")
    assert ("12", "G-022") == (bench.page.locator("#hours").input_value(), bench.page.locator("#gauge").input_value())
    assert "SEL-007" == bench.text("#clip-unit"), "a gauge goes into the hand, not onto the clip"


def test_a_wrong_tag_says_so_and_leaves_the_clip_alone(bench: Any) -> None:
    bench.open("?unit=SEL-004").on_clip("SEL-004")
    good = bench.demo.tags["SEL-005"]
    bench.scan(good[:-1] + ("0" if good[-1] != "0" else "1"))
    assert "does not add up" in bench.said("#refused", "tag")
    bench.page.locator("#scan-box").fill("SEL-04")
    bench.page.locator("#scan-box").press("Enter")
    assert "SEL-04: not one of ours" in bench.said("#refused", "never seen")
    assert "SEL-004" == bench.text("#clip-unit")


def test_markup_in_names_and_words_is_shown_as_text_and_never_run(bench: Any) -> None:
    evil = "<img src=x onerror=\"document.title='run'\"><script>document.title='run'</script>"
    registered = {"class": "SEL", "serial": "<b>88</b>", "origin": "used", "name": evil}
    bench.demo.tell("unit.registered", "unit:SEL-900", registered, today(30))
    finding = {"finding": "F-1", "words": f"Torn {evil}", "blocking": True}
    bench.demo.tell("finding.raised", "unit:SEL-900", finding, today(20))
    bench.open("?unit=SEL-900").on_clip("SEL-900")
    assert evil in bench.text("#clip")
    assert evil in bench.text("#miss-lines")
    assert evil in bench.text("#page")
    assert "SEL-900 - Bench" == bench.page.title()
    assert 0 == bench.page.locator("main img, header img, main script, header b").count()


@pytest.mark.parametrize("size", ["tablet", "phone"])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_nothing_runs_off_the_side_and_every_target_fits_a_thumb(bench_of: Any, size: str, scheme: str) -> None:
    """The bench brief, 2.3: no target under 64 px; 2.5: 1024 x 768 and 390 x 844 without sideways scroll."""
    bench = bench_of(size=size, color_scheme=scheme)
    bench.open("?unit=SEL-004").on_clip("SEL-004")
    bench.page.locator("#chart summary").click()
    width, seen = bench.page.evaluate("[document.documentElement.scrollWidth, document.documentElement.clientWidth]")
    assert width <= seen
    small = bench.page.evaluate(
        """() => [...document.querySelectorAll("button, input, select, summary")]
          .map((e) => [e.id || e.className, e.getBoundingClientRect()])
          .filter(([, r]) => r.width > 0 && (r.width < 64 || r.height < 64)).map(([name]) => name)"""
    )
    assert [] == small
    unnamed = bench.page.evaluate(
        """() => [...document.querySelectorAll("input, select")].filter((e) => !e.labels?.length).map((e) => e.id)"""
    )
    assert [] == unnamed, "every box has a label"


def test_states_stay_readable_with_colours_forced_off(bench_of: Any) -> None:
    """State is a shape and a word; the colour is the third voice."""
    bench = bench_of(forced_colors="active", reduced_motion="reduce")
    bench.open("?unit=SEL-004").on_clip("SEL-004")
    for place in ("#clip-standing", "#verdict"):
        assert bench.page.locator(f"{place} svg").count() == 1
        assert bench.text(place).strip()
