from tests.factories import *
def test_a(standing_unit, tell, ask, client):
    print(tell(reading("0.25", hours="10"), fitted(), removed()))
    print(ask("/v1/units/U-1/condition"))
def test_b(demo):
    print(demo.ask("/v1/units/SEL-004/wear/SEL-BL", true_at="2024-12-03T23:59:59+01:00"))
def test_c(demo_copy):
    print(demo_copy.ask("/v1/units/SEL-004/card"))
