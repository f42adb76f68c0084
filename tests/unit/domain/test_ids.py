import uuid

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service_api.domain.ids import is_entry_id, new_id, uuid7_fields, uuid7_from

EXAMPLE = "017f22e2-79b0-7cc3-98c4-dc0c0c07398f"  # RFC 9562, A.6


def test_the_example_of_the_rfc_is_built_and_read():
    """RFC 9562, A.6: unix_ts_ms 0x017F22E279B0, rand_a 0xCC3, rand_b 0x18C4DC0C0C07398F."""
    assert EXAMPLE == uuid7_from(0x017F22E279B0, 0xCC3, 0x18C4DC0C0C07398F)
    assert (0x017F22E279B0, 0xCC3, 0x18C4DC0C0C07398F, EXAMPLE) == uuid7_fields(EXAMPLE.upper())


@given(st.integers(0, 2**48 - 1), st.binary(min_size=10, max_size=10))
def test_a_new_id_is_a_version_7_uuid_to_the_standard_library(unix_ms, random):
    made = new_id(unix_ms, random)
    read = uuid.UUID(made)
    assert (7, uuid.RFC_4122, made) == (read.version, read.variant, str(read))
    assert is_entry_id(made)
    assert unix_ms == uuid7_fields(made).unix_ms


@given(st.integers(0, 2**48 - 2))
def test_ids_sort_by_the_time_they_were_made(unix_ms):
    assert new_id(unix_ms, b"\xff" * 10) < new_id(unix_ms + 1, bytes(10))


@pytest.mark.parametrize("fields", [(2**48, 0, 0), (0, 2**12, 0), (0, 0, 2**62), (-1, 0, 0), (0, -1, 0)])
def test_a_field_that_is_too_large_is_refused(fields):
    with pytest.raises(ValueError):
        uuid7_from(*fields)


@pytest.mark.parametrize(
    "text",
    [
        "1ec9414c-232a-6b00-b3c8-9f6bdeced846",  # RFC 9562, A.5: version 6
        "017f22e2-79b0-7cc3-d8c4-dc0c0c07398f",  # another variant
        "017f22e279b07cc398c4dc0c0c07398f",
        "{017f22e2-79b0-7cc3-98c4-dc0c0c07398f}",
        EXAMPLE + "\n",
        "",
    ],
)
def test_what_is_no_dashed_version_7_is_refused(text):
    with pytest.raises(ValueError):
        uuid7_fields(text)


def test_an_entry_id_is_a_lower_case_dashed_uuid_of_any_version():
    assert is_entry_id(EXAMPLE)
    assert is_entry_id("c232ab00-9414-4b3c-b3c8-9f6bdeced846")
    assert [False] * 4 == [is_entry_id(text) for text in (EXAMPLE.upper(), EXAMPLE + "\n", " " + EXAMPLE, EXAMPLE[:-1])]


def test_each_of_the_74_random_bits_makes_another_id():
    """12 and 62 bits: RFC 9562, 5.7."""
    assert 75 == len({new_id(0, bytes(10)), *(new_id(0, (1 << bit).to_bytes(10, "big")) for bit in range(74))})


def test_an_id_takes_ten_random_bytes():
    with pytest.raises(ValueError):
        new_id(0, bytes(9))
