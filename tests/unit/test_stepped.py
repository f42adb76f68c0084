"""What a recorder keeps of units is bounded by how large their states are, not by how many there are."""

from service_api.domain.records import replace
from service_api.domain.state import begin
from service_api.projections.units import pack, unpack
from service_api.recording.stepped import Stepped


def test_what_is_kept_stays_within_its_room():
    kept = Stepped(room=50_000)
    for n in range(1000):
        kept.put(f"U-{n}", unpack(pack(begin(f"U-{n}"))), None)
        assert kept.size <= 50_000
    held = [n for n in range(1000) if f"U-{n}" in kept]
    assert 999 in held
    assert held == list(range(held[0], 1000)), "the oldest went first"
    texts = sum(len(pack(begin(f"U-{n}"))) for n in held)
    assert 0.8 * 50_000 < texts < 1.2 * 50_000


def test_what_is_asked_for_stays_and_a_state_that_grew_counts_as_it_is_now():
    kept = Stepped(room=5000)
    kept.put("G-1", begin("G-1"), None)
    for n in range(100):
        kept.put(f"U-{n}", begin(f"U-{n}"), None)
        assert kept.get("G-1") is not None
    size = kept.size
    kept.put("G-1", replace(begin("G-1"), holds={"x" * 500: ()}), None)
    assert "G-1" in kept
    assert kept.size <= 5000
    assert "U-99" in kept
    assert size <= 5000
    kept.pop("G-1")
    kept.clear()
    assert 0 == kept.size


def test_a_state_larger_than_the_room_is_not_kept():
    kept = Stepped(room=1000)
    kept.put("U-1", replace(begin("U-1"), holds={"x" * 5000: ()}), None)
    assert "U-1" not in kept
    assert 0 == kept.size
