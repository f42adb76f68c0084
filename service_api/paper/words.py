"""How moments, quantities and the words of answers read on paper."""

from typing import Any

# What a reader of the trade says for a code of UCUM; any other code is printed as it is
UOMS = {
    "circ": "turn",
    "{rev}/min": "r/min",
    "mm/{rev}": "mm/rev",
    "Cel": "°C",
    "deg": "°",
    "um": "µm",
    "Ohm": "Ω",
    "kOhm": "kΩ",
    "MOhm": "MΩ",
    "[in_i]": "in",
    "[psi]": "psi",
    "dB[SPL]": "dB",
    "1": "",
}


def moment(text: str | None) -> str:
    """An RFC 3339 moment with a space for the T and for the offset; seconds only where they are not 00."""
    if not text:
        return ""
    day, _, rest = text.partition("T")
    if not rest:
        return day
    time, offset = (rest[:-1], "UTC") if rest.endswith("Z") else (rest[:-6], rest[-6:])
    clock, _, _ = time.partition(".")
    return f"{day} {clock.removesuffix(':00') if clock.count(':') == 2 else clock} {offset}"


def uom(code: Any) -> str:
    return UOMS.get(code or "", code or "")


def quantity(found: Any) -> str:
    """A quantity, a chosen word, an unknown, or plain text."""
    match found:
        case None:
            return ""
        case {"unknown": why}:
            return f"not known: {why}"
        case {"word": word}:
            return str(word)
        case {"value": value, "uom": code}:
            return f"{quantity(value)} {uom(code)}".strip()
        case {"low": low, "high": high, **rest} if low is not None or high is not None:
            return f"{low} to {high} {uom(rest.get('uom'))}".strip()
    return str(found)


def hours(found: Any) -> str:
    """The hours of an answer: a value, a range, or why there is neither."""
    if not isinstance(found, dict):
        return quantity(found)
    how = f" ({found['how']})" if found.get("how") else ""
    if found.get("value") is not None:
        return f"{found['value']} h{how}"
    if found.get("low") is not None:
        return f"{found['low']} to {found['high']} h{how}"
    return f"not known: {found.get('unknown') or 'no reading'}"


def said(word: Any) -> str:
    """A word of an answer, such as `not_proved`, for a reader."""
    return "" if word is None else str(word).replace("_", " ")


def window(low: Any, high: Any, code: str | None = None) -> str:
    """What is asked for: a window, or one side of it."""
    unit = uom(code)
    match (low, high):
        case (None, None):
            return ""
        case (None, top):
            return f"≤ {top} {unit}".strip()
        case (bottom, None):
            return f"≥ {bottom} {unit}".strip()
    return f"{low} to {high} {unit}".strip()


def limit(found: Any) -> str:
    """A limit of an answer: one figure, or the two edges of a window."""
    if isinstance(found, dict):
        return window(found.get("low"), found.get("high"))
    return "" if found is None else str(found)


def grouped(digest: str) -> str:
    """A digest in groups of eight, as one reads it aloud."""
    return " ".join(digest[n : n + 8] for n in range(0, len(digest), 8))
