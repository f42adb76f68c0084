from datetime import UTC, date, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service_api.domain.moments import MomentError, day_in, exact, from_unix_ms, in_utc, parse, zone_of

OFFSETS = st.integers(-1439, 1439).map(lambda minutes: timezone(timedelta(minutes=minutes)))
MOMENTS = st.datetimes(datetime(2, 1, 1), datetime(9998, 12, 31), timezones=OFFSETS)


@given(MOMENTS)
def test_what_the_standard_library_writes_is_read_as_the_same_moment(moment):
    """datetime.isoformat is RFC 3339 for a whole number of minutes of offset."""
    got = parse(moment.isoformat())
    assert (moment, moment.utcoffset()) == (got, got.utcoffset())


@given(MOMENTS)
def test_a_moment_in_utc_is_read_back_to_its_last_digit(moment):
    assert moment == parse(in_utc(moment, 6))
    assert moment - parse(in_utc(moment)) < timedelta(milliseconds=1)
    assert in_utc(moment, 6)[:23] + "Z" == in_utc(moment)


def test_the_fraction_is_cut_never_rounded():
    """By hand: .9999999 is seven nines; six are kept as microseconds, three in the answer."""
    got = parse("2024-03-01T08:00:00.9999999Z")
    assert datetime(2024, 3, 1, 8, 0, 0, 999_999, UTC) == got
    assert "2024-03-01T08:00:00.999Z" == in_utc(got)
    assert 999_999_900 == exact("2024-03-01T08:00:00.9999999Z").nanoseconds
    assert 123_456_789 == exact("2024-03-01T08:00:00.1234567899Z").nanoseconds


def test_a_leap_second_keeps_its_day_and_its_order():
    """RFC 3339, 5.8: 1990-12-31T23:59:60Z is a second of 1990."""
    leap = parse("1990-12-31T23:59:60Z")
    assert parse("1990-12-31T23:59:59.99Z") < leap < parse("1991-01-01T00:00:00Z")
    assert date(1990, 12, 31) == day_in(leap, "+00:00")
    assert leap == parse("1990-12-31T15:59:60-08:00")


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("2024-06-30T12:00:00", "no-offset"),
        ("2024-06-30T12:00:00.5", "no-offset"),
        ("2023-02-29T00:00:00Z", "no-such-date"),
        ("2024-13-01T00:00:00Z", "no-such-date"),
        ("0000-01-01T00:00:00Z", "no-such-date"),
        ("2024-06-30T24:00:00Z", "bad-moment"),
        ("2024-06-30T12:60:00Z", "bad-moment"),
        ("2024-06-30T12:00:61Z", "bad-moment"),
        ("2024-05-31T23:59:60Z", "bad-moment"),
        ("2024-06-30T12:00:00+24:00", "bad-moment"),
        ("2024-06-30T12:00:00+10:60", "bad-moment"),
        ("2024-06-30 12:00:00Z", "bad-moment"),
        ("2024-06-30T12:00:00Z\n", "bad-moment"),
        ("2024-06-3\u09eaT12:00:00Z", "bad-moment"),
        ("0001-01-01T00:00:00+01:00", "bad-moment"),
        ("9999-12-31T23:59:59-01:00", "bad-moment"),
        ("2024-06-30", "bad-moment"),
        ("", "bad-moment"),
    ],
)
def test_what_is_no_moment_is_refused_with_the_reason(text, code):
    with pytest.raises(MomentError) as refusal:
        parse(text)
    assert code == refusal.value.code


@pytest.mark.parametrize(
    ("text", "zone", "day"),
    [
        ("2024-02-29T23:30:00Z", "+01:00", date(2024, 3, 1)),
        ("2024-03-01T00:30:00+01:00", "UTC", date(2024, 2, 29)),
        ("2024-07-31T22:30:00Z", "Europe/Oslo", date(2024, 8, 1)),  # two hours ahead in summer
        ("2024-01-31T22:30:00Z", "Europe/Oslo", date(2024, 1, 31)),  # one in winter
        ("2024-03-01T02:00:00Z", "-03:30", date(2024, 2, 29)),
    ],
)
def test_the_day_is_the_day_of_the_zone(text, zone, day):
    assert day == day_in(parse(text), zone)
    assert day == day_in(parse(text), zone_of(zone))


@pytest.mark.parametrize(
    "text", ["", "Europe", "Europe/", "Europe/Nowhere", "../UTC", "/UTC", "+1:00", "+24:00", "UTC\n", "a b"]
)
def test_what_is_no_zone_is_refused(text):
    with pytest.raises(ValueError):
        zone_of(text)


def test_a_naive_moment_is_refused():
    naive = datetime(2024, 3, 1)
    for ask in (lambda: in_utc(naive), lambda: day_in(naive, "UTC"), lambda: in_utc(naive.replace(tzinfo=UTC), 4)):
        with pytest.raises(ValueError):
            ask()


def test_milliseconds_since_1970_are_a_moment():
    """RFC 9562, A.6: 1645557742000 is 22 February 2022, 19:22:22 UTC."""
    assert "2022-02-22T19:22:22.000Z" == in_utc(from_unix_ms(1_645_557_742_000))
    with pytest.raises(ValueError):
        from_unix_ms(2**48 - 1 << 4)
