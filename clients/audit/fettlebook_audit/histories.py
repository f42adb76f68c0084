"""A unit's history derived from the texts of a book alone, by the words of the contract. No I/O.

Order: the corrected moment (`occurred_at` less the device's known clock error, or what a correction gave), then the
device's own number, then the index. A correction works by being known: it may itself be superseded or withdrawn;
withdrawing it revives what it replaced. Of two live supersedes of one entry the later counts when the same person made
it or had seen the earlier; else the first does until one is withdrawn. An entry that was moved stands in both
histories, struck in the one.
"""

import re
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cached_property
from typing import Any

from fettlebook_audit.faults import MOST, Fault, How

CORRECTS = frozenset(f"entry.{how}" for how in ("superseded", "withdrawn", "reattributed", "annotated", "disputed"))
CORRECTS |= {"dispute.settled"}
Members = dict[str, Any]


@dataclass(frozen=True)
class Line:
    """One line of a history.

    at : the corrected moment, UTC; data : what counts now; counts : it is a fact of this unit now
    mark : None, or superseded, withdrawn, moved_out, moved_in; marked_by : the corrections that did it
    """

    entry: Members
    at: datetime
    data: Members
    mark: str | None
    marked_by: tuple[str, ...]
    counts: bool

    @property
    def index(self) -> int:
        return int(self.entry["index"])


@dataclass(frozen=True)
class Custody:
    """Who had the unit from a moment on, and where it stood, as far as is known; entry `index` says so."""

    since: datetime
    owner: str | None
    party: str | None
    site: str | None
    index: int


def moment(text: str) -> datetime:
    """A moment of RFC 3339; fractions finer than a millionth of a second are cut."""
    return datetime.fromisoformat(re.sub(r"(\.\d{6})\d+", r"\1", text)).astimezone(UTC)


class Family:
    """Which entries of a book a unit's history is made of. Give it every entry in order; then the roots it `lacks`."""

    def __init__(self, unit: str) -> None:
        self.page = f"unit:{unit}"
        self.entries: list[Members] = []
        self._corrections: list[Members] = []

    def take(self, entry: Members) -> None:
        if entry["subject"] == self.page:
            self.entries.append(entry)
        elif entry["type"] in CORRECTS:
            self._corrections.append(entry)

    @cached_property
    def _by_id(self) -> dict[str, Members]:
        return {each["id"]: each for each in self._corrections}

    def _root(self, correction: Members) -> str:
        """The fact that a correction of another page is about in the end."""
        target = str(correction["data"]["target"])
        return self._root(self._by_id[target]) if target in self._by_id else target

    def _moves_here(self, correction: Members) -> bool:
        said = correction["data"]
        while correction["type"] == "entry.superseded" and said["target"] in self._by_id:
            correction, said = self._by_id[said["target"]], said["data"]
        return bool(correction["type"] == "entry.reattributed" and said.get("to") == self.page)

    @cached_property
    def lacks(self) -> frozenset[str]:
        """The facts of other pages that were moved here, by id."""
        return frozenset(self._root(each) for each in self._corrections if self._moves_here(each))

    def history(self, roots: Iterable[Members]) -> list[Line]:
        """roots : the entries that it `lacks`; their corrections, and corrections of those, come with them"""
        along = (each for each in self._corrections if self._root(each) in self.lacks)
        return derived([*self.entries, *along, *roots], self.page)


class Merges:
    """Which pages are one unit's: a live merge makes the entries of the old page belong to the other too. Give it every
    entry in order.
    """

    def __init__(self) -> None:
        self._known: list[Members] = []

    def take(self, entry: Members) -> None:
        if entry["type"] == "unit.merged" or entry["type"] in CORRECTS:
            self._known.append(entry)

    def joined(self, unit: str) -> list[str]:
        """The units that were merged into this one, and into those."""
        found: list[str] = []
        into = self._into()
        waiting = [unit]
        while waiting:
            here = waiting.pop()
            fresh = sorted({old for old, other in into if other == here} - {unit, *found})
            found += fresh
            waiting += fresh
        return found

    def _into(self) -> set[tuple[str, str]]:
        """Old unit and other unit, of each merge that stands."""
        corrected = _Corrected(self._known)
        found = set()
        for entry in self._known:
            line = corrected.line(entry, entry["subject"], {}) if entry["type"] == "unit.merged" else None
            if line is not None and line.counts:
                found.add((str(entry["subject"]).removeprefix("unit:"), str(line.data["into"])))
        return found


def in_order(lines: Iterable[Line]) -> list[Line]:
    return sorted(lines, key=lambda li: (li.at, (li.entry.get("device") or {}).get("seq", -1), li.index))


def derived(entries: Iterable[Members], page: str) -> list[Line]:
    """The history of a page, in its order."""
    known = sorted(entries, key=lambda e: e["index"])
    found = _Corrected(known)
    shown: dict[str, Line] = {}
    for entry in known:
        line = found.line(entry, page, shown)
        if line is not None:
            shown[entry["id"]] = line
    return in_order(shown.values())


class _Corrected:
    def __init__(self, known: list[Members]) -> None:
        self._on: dict[str, list[Members]] = defaultdict(list)
        for entry in known:
            if entry["type"] in CORRECTS:
                self._on[entry["data"]["target"]].append(entry)

    def _live(self, entry: Members, kind: str) -> list[Members]:
        """The corrections of a kind on an entry that nobody has withdrawn."""
        return [c for c in self._on[entry["id"]] if c["type"] == kind and not self._live(c, "entry.withdrawn")]

    def _winner(self, entry: Members) -> Members | None:
        winner: Members | None = None
        for later in self._live(entry, "entry.superseded"):
            seen = later.get("seen_index") or 0
            if winner is None or later["by"] == winner["by"] or seen > winner["index"]:
                winner = later
        return winner

    def _now(self, entry: Members) -> tuple[Members, str | None]:
        """The data that counts for an entry, and the moment where a correction gave one."""
        winner = self._winner(entry)
        if winner is None:
            return entry["data"], None
        data, _ = self._now(winner)
        return data["data"], data.get("occurred_at")

    def line(self, entry: Members, page: str, shown: dict[str, Line]) -> Line | None:
        moves = self._live(entry, "entry.reattributed")
        places = [self._now(move)[0]["to"] for move in moves]
        own = entry["subject"] == page
        named = page in {*places, *(move["data"]["to"] for move in moves)}
        if not own and not named and not (entry["type"] in CORRECTS and entry["data"]["target"] in shown):
            return None
        data, given = self._now(entry)
        at = (
            moment(given)
            if given
            else moment(entry["occurred_at"])
            - timedelta(milliseconds=(entry.get("device") or {}).get("clock_offset_ms") or 0)
        )
        mark, by = self._mark(entry, page, own, moves, places)
        counts = entry["type"] not in CORRECTS and mark not in ("withdrawn", "moved_out")
        return Line(entry, at, data, mark, tuple(each["id"] for each in by), counts)

    def _mark(
        self, entry: Members, page: str, own: bool, moves: list[Members], places: list[str]
    ) -> tuple[str | None, list[Members]]:
        withdrawn, superseded = self._live(entry, "entry.withdrawn"), self._live(entry, "entry.superseded")
        if withdrawn:
            return "withdrawn", withdrawn
        if moves and (not own or places[-1] != page):
            return ("moved_in" if not own and places[-1] == page else "moved_out"), moves
        return ("superseded", superseded) if superseded else (None, [])


def custody(lines: Iterable[Line], unit: str) -> list[Custody]:
    """Who had the unit, one after the other. Who it is says its own registration, not a later one on a merged page."""
    found: list[Custody] = []
    owner = party = site = None
    registered = False
    for line in (li for li in lines if li.counts):
        data, envelope = line.data, line.entry
        match envelope["type"]:
            case "unit.registered":
                own = envelope["subject"] == f"unit:{unit}"
                if registered and not own:
                    continue
                registered = registered or own
                owner, site = data.get("owner"), site if party or site else envelope.get("site")
            case "unit.received" | "unit.moved":
                party, site = None, data["site"]
            case "unit.dispatched":
                party, site = data["to"], data.get("site")
            case "unit.sold":
                owner, party, site = data["to"], data["to"], None
            case _:
                continue
        found.append(Custody(line.at, owner, party, site, line.index))
    return found


def compared(lines: list[Line], said: list[Members]) -> list[Fault]:
    """Where the service's history is another than the derived one."""
    faults: list[Fault] = []
    ours = dict(zip(_numbered(li.entry["id"] for li in lines), lines, strict=True))
    theirs = dict(zip(_numbered(each.get("id") for each in said), said, strict=True))

    def fault(how: How, index: int | None, words: str) -> None:
        if len(faults) < MOST:
            faults.append(Fault(how, index, index, words))

    for key, line in ours.items():
        if key not in theirs:
            fault("missing", line.index, "the service's history lacks it")
            continue
        for member in _differing(line, theirs[key]):
            fault("differs", line.index, f"the service says another `{member}` of it than follows from the entries")
    for key, each in theirs.items():
        if key not in ours:
            index = each.get("index")
            words = "the service's history has it, and it does not belong"
            fault("inserted", index if type(index) is int else None, words)
    for one, other in zip((k for k in ours if k in theirs), (k for k in theirs if k in ours), strict=True):
        if one != other:
            fault("reordered", ours[one].index, f"the service has entry {ours[other].index} in its place")
            break
    return faults


def _numbered(ids: Iterable[Any]) -> list[tuple[Any, int]]:
    """Each id with how often it came before: an entry moved between pages that are one now stands there twice."""
    seen: dict[Any, int] = defaultdict(int)
    found = []
    for each in ids:
        found.append((each, seen[each]))
        seen[each] += 1
    return found


def _differing(line: Line, said: Members) -> list[str]:
    found = [name for name, value in line.entry.items() if said.get(name) != value]
    marks: Members = {"mark": line.mark, "marked_by": list(line.marked_by), "counts": line.counts}
    found += [name for name, value in marks.items() if said.get(name) != value]
    if said.get("data_now", said.get("data")) != line.data:
        found.append("data_now")
    try:
        if moment(said["at"]) != line.at:
            found.append("at")
    except (KeyError, ValueError, TypeError):
        found.append("at")
    return found


def compared_custody(spans: list[Custody], card: Members) -> list[Fault]:
    """Where the service says that somebody else has or owns the unit now."""
    now = spans[-1] if spans else Custody(datetime.min, None, None, None, 0)
    place, identity = card.get("place") or {}, card.get("identity") or {}
    pairs = {
        "owner": (identity.get("owner"), now.owner),
        "party": (place.get("party"), now.party),
        "site": (place.get("site"), now.site),
    }
    return [
        Fault("differs", now.index, now.index, f"{name}: the service says {said}, the entries {ours}")
        for name, (said, ours) in pairs.items()
        if said != ours
    ]
