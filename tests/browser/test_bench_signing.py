"""Badge and PIN at the bench page (the bench brief, Sign-in): who is signed in, for how short, and without network."""

from typing import Any

import pytest

ORRIN = ("FP.0RR1N0", "1207")  # seed/depot.py


@pytest.fixture
def signing(bench: Any) -> Any:
    bench.open()
    yield bench
    bench.page.request.delete(f"{bench.demo.url}/v1/sessions", headers={"X-Fettlebook": "test"})


def sign_in(bench: Any, pin: str = ORRIN[1]) -> None:
    from playwright.sync_api import expect

    bench.scan(ORRIN[0])
    expect(bench.page.locator("#pin-box"), "the badge waits for its PIN").to_be_focused()
    bench.page.keyboard.type(pin, delay=70)
    bench.page.keyboard.press("Enter")


def test_a_scanned_badge_and_its_pin_sign_in(signing: Any) -> None:
    sign_in(signing)
    assert "Orrin Tamsley, until" in signing.said("#who-list", "until")
    assert "Signed in: Orrin Tamsley" == signing.text("#who summary")
    assert "orrin.tamsley" == signing.page.locator("#by").input_value(), "who signed in is who reads"
    assert "" == signing.page.locator("#pin-box").input_value()


def test_signing_out_leaves_nobody(signing: Any) -> None:
    sign_in(signing)
    signing.page.get_by_role("button", name="Sign out Orrin Tamsley").click()
    signing.said("#kept", "Signed out")
    assert "Who signs here" == signing.text("#who summary")


def test_a_wrong_pin_says_what_to_do_and_keeps_the_badge(signing: Any) -> None:
    sign_in(signing, "9999")
    assert "ask a lead" in signing.said("#refused", "Badge and PIN")
    assert ORRIN[0] == signing.page.locator("#badge-box").input_value()
    assert "" == signing.page.locator("#pin-box").input_value()
    signing.page.keyboard.type(ORRIN[1], delay=70)
    signing.page.keyboard.press("Enter")
    signing.said("#who-list", "Orrin Tamsley")


def test_a_badge_scanned_while_a_box_has_the_focus_leaves_the_box_as_it_was(signing: Any) -> None:
    signing.page.locator("#scan-box").focus()
    signing.page.keyboard.type("ab", delay=150)
    signing.scan(ORRIN[0])
    assert "ab" == signing.page.locator("#scan-box").input_value()


def test_ten_quiet_minutes_sign_everybody_out(bench_of: Any) -> None:
    bench = bench_of()
    bench.page.clock.install()
    bench.open()
    sign_in(bench)
    bench.said("#who-list", "Orrin Tamsley")
    bench.page.clock.fast_forward("09:00")
    assert "Orrin Tamsley" in bench.text("#who-list")
    bench.page.clock.fast_forward("02:00")
    bench.page.locator("#who summary", has_text="Who signs here").wait_for()


def test_without_network_nobody_signs_in_and_writing_goes_on(signing: Any) -> None:
    signing.page.context.set_offline(True)
    sign_in(signing)
    assert "counts once you sign it again" in signing.said("#refused", "No answer")
    signing.page.context.set_offline(False)


def test_no_script_keeps_badge_or_pin(signing: Any) -> None:
    sign_in(signing)
    signing.said("#who-list", "Orrin Tamsley")
    kept = signing.page.evaluate("JSON.stringify([{...localStorage}, {...sessionStorage}, document.cookie])")
    assert ORRIN[0] not in kept
    assert ORRIN[1] not in kept
