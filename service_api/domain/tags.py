"""Tags: text with a check character, printed on a label; a pointer to a unit for a time (DESIGN section 3)."""

from datetime import datetime
from typing import Literal

from service_api.calc.check_characters import is_checked, with_check
from service_api.domain.records import record

PREFIX = "FT."
MINTED = "0123456789BCDEFGHJKLNPRSTUVX"  # the same keys on every scanner keyboard layout
LENGTH = len(PREFIX) + 8 + 1


@record(kw_only=True)
class Worn:
    unit: str
    since: datetime
    until: datetime | None
    why: str | None


@record(kw_only=True)
class TagAnswer:
    """What wears this tag now, what wore it before, and what its last wearer wears now."""

    tag: str
    check: Literal["valid", "invalid", "none"]
    status: Literal["attached", "detached", "unknown"]
    unit: str | None
    since: datetime | None
    until: datetime | None
    worn_before: tuple[Worn, ...]
    now_wears: str | None
    warnings: tuple[str, ...]


def ours(text: str) -> bool:
    """The text has the shape of a tag of this system; whether its check character is right is another matter."""
    return len(text) == LENGTH and text.upper().startswith(PREFIX)


def check(text: str) -> Literal["valid", "invalid", "none"]:
    """What the check character says; `none` for a label of other origin."""
    if not ours(text):
        return "none"
    try:
        return "valid" if is_checked(text.upper()[len(PREFIX) :]) else "invalid"
    except ValueError:
        return "invalid"


def normal(text: str) -> str:
    """One of our own tags in upper case, as scanners may type it; a label of other origin as it is."""
    return text.upper() if ours(text) else text


def mint(number: int) -> str | None:
    """The tag of a number below 28^8, or None when its check character is outside the minted alphabet."""
    if not 0 <= number < len(MINTED) ** 8:
        raise ValueError("a tag is made of eight characters")
    characters = []
    for _ in range(8):
        number, place = divmod(number, len(MINTED))
        characters.append(MINTED[place])
    full = with_check("".join(characters))
    return PREFIX + full if full[-1] in MINTED else None


@record
class Span:
    """One time for which a tag points to a unit."""

    unit: str
    since: datetime
    until: datetime | None
    why: str | None


def answer(text: str, spans: list[Span], now_wears: str | None) -> TagAnswer:
    """spans : of this tag, in the order of `since`; now_wears : the newest tag of its last wearer, if another"""
    tag = normal(text)
    known = check(tag)
    if known == "invalid":
        spans = []
    live = [s for s in spans if s.until is None]
    current = live[-1] if live else None
    warnings: list[str] = []
    units = {s.unit for s in live}
    if len(units) > 1:
        warnings.append(f"on two units at once: {', '.join(sorted(units))}; read the engraving")
    if known == "invalid":
        warnings.append("the check character is wrong: a misread or mistyped tag")
    last = current or (spans[-1] if spans else None)
    if current is None and last is not None:
        warnings.append(f"retired on {last.until.date().isoformat() if last.until else ''}, last on {last.unit}")
    return TagAnswer(
        tag=tag,
        check=known,
        status="attached" if current else ("detached" if spans else "unknown"),
        unit=current.unit if current and len(units) == 1 else None,
        since=last.since if last else None,
        until=last.until if last else None,
        worn_before=tuple(
            Worn(unit=s.unit, since=s.since, until=s.until, why=s.why) for s in spans if s is not current
        ),
        now_wears=now_wears,
        warnings=tuple(warnings),
    )
