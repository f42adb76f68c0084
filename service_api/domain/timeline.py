"""The effective history of a subject: which entries count, with which data, in which order (CONTRACT A, B).

A correction changes nothing behind it: it is one more entry, and this module says what follows from it. Corrections
work by what is known alone; `true_at` cuts facts by their corrected moment afterwards.
"""

from bisect import bisect_right, insort
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import field, replace
from datetime import UTC, datetime
from typing import Any, Literal

from service_api.domain import moments
from service_api.domain.entries.registry import TYPES
from service_api.domain.entry import Recorded
from service_api.domain.plain import make
from service_api.domain.records import once, record

Mark = Literal["superseded", "withdrawn", "moved_out", "moved_in"]
Key = tuple[datetime, int, int]  # corrected moment in UTC, device.seq, index


@record
class Late:
    """A fact that a release did not know so: `raised_by` is the fact itself, its correction, or the dispute on it."""

    fact: str
    raised_by: str
    index: int


@record
class Item:
    """One line of a history.

    counts : it is a fact of this subject now (not struck, not a correction)
    data, occurred_at : as corrected; the entry itself keeps what was sent
    supersedes, settled_by : the live corrections on it
    """

    entry: Recorded
    at: datetime
    data: dict[str, Any]
    occurred_at: str
    mark: Mark | None = None
    marked_by: tuple[str, ...] = ()
    counts: bool = True
    rivals: tuple[Recorded, ...] = ()  # live supersedes that contradict each other
    dispute: Recorded | None = None  # the open dispute on it
    touched: int = field(default=0)  # the highest index that had a say in this line
    unheard: tuple["Late", ...] = ()  # of a release: what happened before it and was heard of after it

    @once
    def body(self) -> Any:
        return self.entry.body if self.data is self.entry.data else make(TYPES[self.entry.type].body, self.data)

    @property
    def key(self) -> Key:
        return (self.at, self.entry.device_seq, self.entry.index)


def simple_item(entry: Recorded) -> Item:
    """The line of an entry that nothing corrects."""
    return Item(
        entry,
        entry.moment.astimezone(UTC),
        entry.data,
        entry.occurred_at,
        counts=not TYPES[entry.type].corrects,
        touched=entry.index,
    )


class _Corrections:
    """The live corrections among the known entries, resolved from the latest to the earliest.

    A correction can only name an entry before it, so whatever bears on a correction is resolved before it is used.
    """

    def __init__(self, known: Sequence[Recorded]) -> None:
        self.withdrawn: dict[str, list[Recorded]] = defaultdict(list)
        self.supersedes: dict[str, list[Recorded]] = defaultdict(list)
        self.moves: dict[str, list[tuple[Recorded, str]]] = defaultdict(list)
        self.named: dict[str, set[str]] = defaultdict(set)  # every subject that a move named before it was corrected
        self.disputes: dict[str, list[Recorded]] = defaultdict(list)
        self.settled: dict[str, list[Recorded]] = defaultdict(list)
        for entry in reversed(known):
            if not TYPES[entry.type].corrects or entry.id in self.withdrawn:
                continue
            data, _ = self.effective(entry)
            target = data["target"]
            match entry.type:
                case "entry.withdrawn":
                    self.withdrawn[target].insert(0, entry)
                case "entry.superseded":
                    self.supersedes[target].insert(0, entry)
                case "entry.reattributed":
                    self.moves[target].insert(0, (entry, data["to"]))
                    self.named[target] |= {entry.data["to"], data["to"]}
                case "entry.disputed":
                    self.disputes[target].insert(0, entry)
                case "dispute.settled":
                    self.settled[target].insert(0, entry)

    def winner(self, entry: Recorded) -> tuple[Recorded | None, tuple[Recorded, ...]]:
        """The supersede that counts, and the rivals when two contradict (CONTRACT A: contested, the first counts)."""
        live = self.supersedes.get(entry.id, [])
        if not live:
            return None, ()
        counting, rivals = live[0], [live[0]]
        for later in live[1:]:
            if later.by == counting.by or (later.seen_index or 0) > counting.index:
                counting, rivals = later, [later]
            else:
                rivals.append(later)
        return counting, tuple(rivals) if len(rivals) > 1 else ()

    def effective(self, entry: Recorded) -> tuple[dict[str, Any], str | None]:
        """The data that counts for this entry, and the true moment when a correction gave one."""
        counting, _ = self.winner(entry)
        if counting is None:
            return entry.data, None
        data, _ = self.effective(counting)
        return data["data"], data.get("occurred_at")

    def open_dispute(self, entry: Recorded) -> Recorded | None:
        last = self.settled.get(entry.id)
        after = last[-1].index if last else -1
        return next((d for d in self.disputes.get(entry.id, []) if d.index > after), None)


def effective_history(entries: Iterable[Recorded], subject: str) -> list[Item]:
    """The lines of `subject`, in the order of the corrected moment.

    entries : what is known of the subject, in the order of the book: its own, those re-attributed to it, and the
        corrections of either
    """
    known = sorted(entries, key=lambda e: e.index)
    if not any(TYPES[e.type].corrects for e in known):
        return _with_late(sorted((simple_item(e) for e in known if e.subject == subject), key=lambda i: i.key), {})
    corrections = _Corrections(known)
    items: dict[str, Item] = {}
    for entry in known:
        item = _line(entry, subject, corrections, items)
        if item is not None:
            items[entry.id] = item
    return _with_late(sorted(items.values(), key=lambda i: i.key), {e.id: e.index for e in known})


def _with_late(items: list[Item], indexes: Mapping[str, int]) -> list[Item]:
    """The same lines, where every release that counts says what it did not know of the time before it.

    indexes : of the corrections; those of a release itself do not make it late
    """
    heard: list[tuple[int, str, str]] = []  # (index, raised by, fact), in the order of the book
    for place, item in enumerate(items):
        if item.entry.type == "unit.released" and item.counts:
            after = heard[bisect_right(heard, (item.entry.index, "~", "~")) :]
            if after:
                unheard = tuple(Late(fact, raised_by, index) for index, raised_by, fact in after)
                items[place] = replace(item, unheard=unheard)
        elif not TYPES[item.entry.type].corrects:
            marks = ((indexes[m], m) for m in item.marked_by)
            index, raised_by = max(((item.entry.index, item.entry.id), *marks))
            insort(heard, (index, raised_by, item.entry.id))
            if item.dispute is not None and item.counts:
                insort(heard, (item.dispute.index, item.dispute.id, item.entry.id))
    return items


def _line(entry: Recorded, subject: str, corrections: _Corrections, shown: dict[str, Item]) -> Item | None:
    moves = corrections.moves.get(entry.id, [])
    here = moves[-1][1] if moves else entry.subject
    own = entry.subject == subject
    if not own and subject not in corrections.named[entry.id]:
        came_along = TYPES[entry.type].corrects and entry.data["target"] in shown
        if not came_along:
            return None
    counting, rivals = corrections.winner(entry)
    data, moved_to = corrections.effective(entry)
    withdrawn = corrections.withdrawn.get(entry.id, [])
    supersedes = corrections.supersedes.get(entry.id, [])
    at = moments.parse(moved_to) if moved_to else entry.moment
    mark: Mark | None = None
    by: tuple[Recorded, ...] = ()
    if withdrawn:
        mark, by = "withdrawn", tuple(withdrawn)
    elif moves and own and here != subject:
        mark, by = "moved_out", tuple(m for m, _ in moves)
    elif moves and not own:
        mark, by = ("moved_in" if here == subject else "moved_out"), tuple(m for m, _ in moves)
    elif counting is not None:
        mark, by = "superseded", tuple(supersedes)
    corrects = TYPES[entry.type].corrects
    dispute = corrections.open_dispute(entry)
    every = [entry, *withdrawn, *supersedes, *(m for m, _ in moves), *corrections.disputes.get(entry.id, [])]
    return Item(
        entry,
        at.astimezone(UTC),
        data,
        moved_to or entry.occurred_at,
        mark,
        tuple(m.id for m in by),
        counts=not corrects and mark not in ("withdrawn", "moved_out"),
        rivals=rivals,
        dispute=dispute,
        touched=max(e.index for e in every),
    )


def moved_to(entry: Recorded, known: Mapping[str, Recorded]) -> str | None:
    """The subject to which this correction moves its fact: a move says so, or new data of a move does."""
    data = entry.data
    while entry.type == "entry.superseded":
        target = known.get(entry.data["target"])
        if target is None:
            return None
        entry, data = target, data["data"]
    return data["to"] if entry.type == "entry.reattributed" else None


def reach(entries: Iterable[Recorded], subject: str) -> int:
    """The highest index of an entry that had a say on the subject's page; -1 for none.

    entries : as for `effective_history`, but a fact may be among them whose move to here is not known yet
    """
    known = {e.id: e for e in entries}

    def root(entry: Recorded) -> str:
        while TYPES[entry.type].corrects and entry.data["target"] in known:
            entry = known[entry.data["target"]]
        return entry.id

    foreign = [e for e in known.values() if e.subject != subject]
    here = {root(e) for e in foreign if moved_to(e, known) == subject}
    return max((e.index for e in known.values() if e.subject == subject or root(e) in here), default=-1)


def facts(items: Iterable[Item], true_at: datetime | None = None) -> list[Item]:
    """The lines that count, up to and including `true_at`."""
    return [item for item in items if item.counts and (true_at is None or item.at <= true_at)]


def fold(step: Callable[[Any, Item], Any], state: Any, items: Iterable[Item]) -> Any:
    for item in items:
        state = step(state, item)
    return state
