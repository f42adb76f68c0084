import pytest
from hypothesis import given
from hypothesis import strategies as st
from pytest import approx

from service_api.calc.proportions import wilson


def test_the_published_interval_comes_out_to_its_four_digits():
    """81 of 263: Newcombe, Statistics in Medicine 17 (1998) 857-872, table I, method 3: 0.2553 to 0.3662."""
    got = wilson(81, 263, 0.95)
    assert (approx(0.2553, abs=5e-5), approx(0.3662, abs=5e-5)) == (got.lower, got.upper)


@given(st.integers(1, 5000), st.data(), st.floats(0.5, 0.999))
def test_the_interval_holds_the_share_and_mirrors_for_the_failures(n, data, level):
    count = data.draw(st.integers(0, n))
    got, rest = wilson(count, n, level), wilson(n - count, n, level)
    assert 0 <= got.lower <= got.share + 1e-12
    assert got.share - 1e-12 <= got.upper <= 1
    assert (approx(1 - rest.upper, abs=1e-12), approx(1 - rest.lower, abs=1e-12)) == (got.lower, got.upper)


def test_none_and_all_close_on_the_ends_exactly():
    assert (0.0, 1.0) == (wilson(0, 7).lower, wilson(7, 7).upper)


@pytest.mark.parametrize(
    ("count", "n", "level"),
    [(0, 0, 0.95), (-1, 4, 0.95), (5, 4, 0.95), (1, 4, 0), (1, 4, 1), (True, 4, 0.95), (1.5, 4, 0.95)],
)
def test_what_is_no_share_is_refused(count, n, level):
    with pytest.raises(ValueError):
        wilson(count, n, level)
