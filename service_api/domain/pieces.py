"""Where one piece with a serial has been: the places of its chain in order, and the steps that nobody logged."""

from collections.abc import Sequence

from service_api.domain.condition import AsOf
from service_api.domain.ledger import Line
from service_api.domain.records import record, replace


@record(kw_only=True)
class PieceWas:
    """A slot of a unit, or a place by name; `from_` is null where it came there unlogged, `until` while it is there."""

    unit: str | None
    slot: str | None
    place: str | None
    from_: str | None
    until: str | None
    entries: tuple[str, ...]


@record(kw_only=True)
class PieceGap:
    """A step that is missing between two entries, or before the first."""

    why: str
    entries: tuple[str, ...]


@record(kw_only=True)
class PieceChain:
    part_no: str
    serial: str
    as_of: AsOf
    chain: tuple[PieceWas, ...]
    gaps: tuple[PieceGap, ...]


def chain(lines: Sequence[Line]) -> tuple[tuple[PieceWas, ...], tuple[PieceGap, ...]]:
    """lines : what counts of one piece, in the order of the corrected moment"""
    places: list[PieceWas] = []
    gaps: list[PieceGap] = []
    for line in lines:
        here = places[-1] if places else None
        if line.type == "part.fitted":
            came_from = line.said.get("from")
            if here is not None and (why := _unlogged(here, came_from)):
                gaps.append(PieceGap(why=why, entries=(*here.entries[-1:], line.entry)))
            if here is None and came_from is not None and came_from.startswith("unit:"):
                gaps.append(
                    PieceGap(why=f"it came from {came_from}, and no fit is logged there", entries=(line.entry,))
                )
            _leave(places, line)
            places.append(_in_slot(line, line.at))
            continue
        if line.type == "part.removed" and (here is None or (here.unit, here.slot) != (line.unit, line.said["slot"])):
            gaps.append(
                PieceGap(why=f"no fit into {line.said['slot']} of {line.unit} is logged", entries=(line.entry,))
            )
            places.append(_in_slot(line, None))
        _leave(places, line)
        to = line.said.get("to", "unknown")
        if not to.startswith("unit:"):  # a fit over there says where it went
            places.append(PieceWas(unit=None, slot=None, place=to, from_=line.at, until=None, entries=(line.entry,)))
    return tuple(places), tuple(gaps)


def _in_slot(line: Line, since: str | None) -> PieceWas:
    entries = () if since is None else (line.entry,)
    return PieceWas(unit=line.unit, slot=line.said["slot"], place=None, from_=since, until=None, entries=entries)


def _leave(places: list[PieceWas], line: Line) -> None:
    """The place in which it was ends with this entry."""
    if places and places[-1].until is None:
        here = places[-1]
        places[-1] = replace(here, until=line.at, entries=(*here.entries, line.entry))


def _unlogged(here: PieceWas, came_from: str | None) -> str | None:
    """What is missing between where it was last and a fit."""
    if here.unit is not None and here.until is None:
        return f"no removal from {here.slot} of {here.unit} is logged"
    if here.place in ("scrap", "sold", "supplier"):
        return f"it had gone to {here.place}"
    if here.place is not None and came_from is not None and came_from not in (here.place, "unknown"):
        return f"it came from {came_from}, and was last in {here.place}"
    return None
