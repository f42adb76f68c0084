"""Moments as people type them (RFC 3339, with an offset) and the local days they fall on."""

import re
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, timezone, tzinfo
from functools import lru_cache
from zoneinfo import ZoneInfo

# RFC 3339, 5.6; "T" and "Z" may be lower case by its note. [0-9], because \d also matches other scripts' digits.
_DATE_TIME = re.compile(
    r"([0-9]{4})-([0-9]{2})-([0-9]{2})[Tt]([0-9]{2}):([0-9]{2}):([0-9]{2})(?:\.([0-9]+))?"
    r"([Zz]|([+-])([0-9]{2}):([0-9]{2}))?"
)
# What is mostly sent, which the library reads ten times faster: no leap second, no year near the ends of the calendar
_PLAIN = re.compile(
    r"(?!0001|9999)[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-5][0-9](\.([0-9]{3}|[0-9]{6}))?"
    r"(Z|[+-][0-2][0-9]:[0-5][0-9])"
)
_OFFSET = re.compile(r"([+-])([0-9]{2}):([0-9]{2})")
_ZONE_NAME = re.compile(r"[A-Za-z][A-Za-z0-9_+-]*(?:/[A-Za-z0-9_+-]+)*")


class MomentError(ValueError):
    """The text is no moment; `code` says which rule it breaks: `bad-moment`, `no-offset` or `no-such-date`."""

    def __init__(self, code: str, detail: str) -> None:
        super().__init__(detail)
        self.code = code


@dataclass(frozen=True, slots=True)
class Exact:
    """A moment to the nanosecond. A leap second is second 59 with `leap` set, for no datetime holds second 60."""

    at: datetime  # the whole second, with the offset as typed
    nanoseconds: int  # of the fraction, cut, not rounded
    leap: bool

    def utc(self) -> str:
        """The whole second in UTC, the fraction cut."""
        minute = self.at.astimezone(UTC).replace(tzinfo=None).isoformat(timespec="minutes")
        return f"{minute}:{self.at.second + self.leap:02}Z"


@lru_cache(maxsize=1024)
def parse(text: str) -> datetime:
    """Return the moment as a datetime with the offset as typed, its fraction cut to microseconds.

    A leap second is the last microsecond before it ends its day: the day is right and the order holds.
    Raises MomentError for anything that RFC 3339 does not allow, and for the years 0000 and beyond 9999 in UTC.
    Source: RFC 3339, 5.6 (grammar) and 5.7 (leap seconds).
    """
    if _PLAIN.fullmatch(text):
        try:
            return datetime.fromisoformat(text)
        except ValueError:  # no such day or time, or one that takes a closer look
            pass
    moment = exact(text)
    return moment.at.replace(microsecond=999_999 if moment.leap else moment.nanoseconds // 1000)


def exact(text: str) -> Exact:
    """Return the moment with its nanoseconds. Raises MomentError as `parse`."""
    match = _DATE_TIME.fullmatch(text)
    if match is None:
        raise MomentError("bad-moment", "a moment is written like 2024-03-01T08:05:00+01:00")
    year, month, day, hour, minute, second, fraction, offset, sign, hours, minutes = match.groups()
    if offset is None:
        raise MomentError("no-offset", "a moment ends in Z or in an offset such as +01:00")
    zone = UTC if sign is None else _offset(sign, hours, minutes)
    try:
        date(int(year), int(month), int(day))
    except ValueError:
        raise MomentError("no-such-date", f"there is no {year}-{month}-{day}") from None
    leap = second == "60"
    try:
        at = datetime(int(year), int(month), int(day), int(hour), int(minute), 59 if leap else int(second), tzinfo=zone)
        utc = at.astimezone(UTC)
    except (ValueError, OverflowError):
        raise MomentError("bad-moment", f"there is no such time as {text}") from None
    if leap and (utc.month, utc.day, utc.hour, utc.minute) not in ((6, 30, 23, 59), (12, 31, 23, 59)):
        raise MomentError("bad-moment", "a leap second ends 30 June or 31 December in UTC")
    return Exact(at, int((fraction or "0")[:9].ljust(9, "0")), leap)


def from_unix_ms(unix_ms: int) -> datetime:
    """Return the moment, in UTC. Raises ValueError beyond the year 9999."""
    try:
        return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(milliseconds=unix_ms)
    except OverflowError:
        raise ValueError("a moment lies in the years 1 to 9999") from None


def in_utc(moment: datetime, digits: int = 3) -> str:
    """Return the moment in UTC with `Z` and a fraction of 3 or 6 digits, cut. Raises ValueError for a naive one."""
    if digits not in (3, 6):
        raise ValueError("a fraction has 3 or 6 digits")
    return _in_utc(moment if moment.tzinfo is UTC else _aware(moment).astimezone(UTC), digits)


@lru_cache(maxsize=1024)
def _in_utc(moment: datetime, digits: int) -> str:
    """An append asks several times for the same few moments."""
    return moment.isoformat(timespec="milliseconds" if digits == 3 else "microseconds")[: -len("+00:00")] + "Z"


def day_in(moment: datetime, zone: str | tzinfo) -> date:
    """Return the local day of the moment in `zone`. Raises ValueError for a naive moment or an unknown zone.

    At the two ends of the calendar, where the local day has no date, it is the day in UTC.
    """
    try:
        return _aware(moment).astimezone(zone_of(zone) if isinstance(zone, str) else zone).date()
    except OverflowError:
        return moment.astimezone(UTC).date()


def day_begins(day: date, zone: str | tzinfo) -> datetime:
    """Return the first moment, in UTC, of the local day in `zone`; at the calendar's end, of the day in UTC."""
    where = zone_of(zone) if isinstance(zone, str) else zone
    try:
        return datetime.combine(day, time(), where).astimezone(UTC)
    except OverflowError:
        return datetime.combine(day, time(), UTC)


def add_months(day: date, months: int) -> date:
    """The day with the same number `months` later, or the last of that month when there is none (JOB.md W2)."""
    year, month = divmod(day.year * 12 + day.month - 1 + months, 12)
    for number in range(day.day, 0, -1):
        try:
            return date(year, month + 1, number)
        except ValueError:
            continue
    raise ValueError("no such month")


@lru_cache(maxsize=256)
def zone_of(text: str) -> tzinfo:
    """Return the zone that an offset (`+01:00`) or a name of the IANA database (`Europe/Oslo`) stands for.

    Raises ValueError for any other text.
    """
    if match := _OFFSET.fullmatch(text):
        return _offset(*match.groups())
    if _ZONE_NAME.fullmatch(text):
        try:
            return ZoneInfo(text)
        except (KeyError, ValueError, OSError):  # unknown; malformed; a folder of the database such as "Europe"
            pass
    raise ValueError(f"{text!r} is neither an offset such as +01:00 nor the name of a time zone")


def _offset(sign: str, hours: str, minutes: str) -> timezone:
    if int(hours) > 23 or int(minutes) > 59:
        raise MomentError("bad-moment", f"an offset goes to 23:59, not {hours}:{minutes}")
    span = timedelta(hours=int(hours), minutes=int(minutes))
    return timezone(-span if sign == "-" else span)


def _aware(moment: datetime) -> datetime:
    if moment.utcoffset() is None:
        raise ValueError("a moment carries an offset")
    return moment
