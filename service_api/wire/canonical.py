"""Canonical JSON (RFC 8785) and reading of JSON without surprises.

An entry holds no floating-point number: decimals are text and whole numbers stay within 2^53. For such a value
orjson gives the RFC 8785 bytes as long as every character is ASCII (RFC 8785 sorts names by UTF-16 unit, orjson by
byte; the two agree there). `entry_text` uses that, and hands everything else to the library.
"""

import json
from decimal import Decimal
from typing import Any

import orjson

from service_api.domain.refusals import BadJson

WHOLE_LIMIT = 2**53 - 1


def canonical(value: Any) -> bytes:
    """The RFC 8785 bytes of any JSON value. Raises ValueError for what has none (NaN, a lone surrogate, ...)."""
    import rfc8785  # seldom needed, and never to start

    try:
        return rfc8785.dumps(value)
    except (rfc8785.CanonicalizationError, UnicodeEncodeError) as error:
        raise ValueError(str(error)) from error


def entry_text(value: Any) -> bytes:
    """The RFC 8785 bytes of a value without floating-point numbers, as entries are."""
    text = orjson.dumps(value, option=orjson.OPT_SORT_KEYS)
    return text if text.isascii() else canonical(value)


def _no_repeats(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        names = [name for name, _ in pairs]
        raise ValueError(f"the name {next(n for n in names if names.count(n) > 1)!r} stands twice in one object")
    return found


def _no_constant(text: str) -> Any:
    raise ValueError(f"{text} is no JSON number")


# A number with a fraction or exponent becomes a Decimal, which no schema accepts and no encoder writes: it can
# neither slip into an entry nor change its digits on the way to the refusal.
_read = json.JSONDecoder(object_pairs_hook=_no_repeats, parse_float=Decimal, parse_constant=_no_constant).decode


def parse(text: bytes | str) -> Any:
    """A JSON value from outside. Repeated names, NaN and bytes that are no UTF-8 are refused (BadJson)."""
    try:
        return _read(text.decode() if isinstance(text, bytes) else text)
    except (ValueError, RecursionError) as error:
        raise BadJson(f"the body is no JSON: {error}") from error


def load(text: bytes) -> Any:
    """A JSON value that the book wrote itself."""
    return orjson.loads(text)
