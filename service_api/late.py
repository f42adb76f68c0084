"""How a unit's state is brought up to date when news are not in order: late facts, corrections, facts that move.

A page of many facts is cut into stretches (`projections/stretches.py`). A late fact is put into its stretch, which is
folded again from the cells that it touches; after it only those stretches are folded again that touch a cell which
came out different, and so on until nothing differs or the page ends. So news cost what they change, not how long the
page is. A short page is folded again as a whole.
"""

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import field
from datetime import UTC, datetime
from functools import partial

from sqlalchemy import Connection

from service_api.domain.cells import (
    ALWAYS,
    EVERYTHING,
    NAMED,
    RAISED,
    UNHEARD,
    Cell,
    bears_on,
    changed,
    patched,
    touches,
    value,
)
from service_api.domain.entries.registry import TYPES
from service_api.domain.entry import Recorded
from service_api.domain.fold import step
from service_api.domain.matters import Raised
from service_api.domain.moments import in_utc, parse
from service_api.domain.records import record, replace
from service_api.domain.state import UnitState, begin, witness
from service_api.domain.timeline import Item, Key, effective_history, facts, simple_item
from service_api.filing import family_of, root_of
from service_api.log import driver
from service_api.pages import draw_unit, find_entry, read_entries
from service_api.projections import stretches as rows
from service_api.projections import units
from service_api.projections.remarks import forget_remarks, gone_remarks, read_remarks, remark_rows, remarks_on
from service_api.projections.stretches import GAP, Stretch

AFTER_ALL: Key = (datetime.max.replace(tzinfo=UTC), 10**15, 10**15)  # no fact has such a moment or running number
LENGTH = 48  # facts of a stretch when it is cut: a late fact steps one or two stretches again


def key_text(key: Key) -> str:
    """An order key as text that sorts as the key does."""
    at, seq, index = key
    return f"{in_utc(at, 6)} {seq + 1:016d} {index:016d}"


def key_of(text: str) -> Key:
    at, seq, index = text.split(" ")
    return (parse(at), int(seq) - 1, int(index))


@record
class Tail:
    """The facts of a page since it was cut last, each of which came in order.

    start : the state before the first of them
    floor : the key up to which stretches hold facts, struck ones too
    place, upto : of the last stretch, and how far in the book the page was cut
    """

    start: UnitState
    floor: Key | None = None
    place: int = -GAP
    upto: int = -1
    first: str = ""
    indexes: tuple[int, ...] = ()
    touched: frozenset[Cell] = frozenset()


@record
class Cut:
    """A stretch that is full, and what its cells say at its end."""

    before: Tail
    stretch: Stretch
    said: dict[Cell, str | None]


@record
class Advanced:
    """A state after facts in order, what follows the last cut (None: not known), and the cuts on the way."""

    state: UnitState
    tail: Tail | None
    cuts: list[Cut] = field(default_factory=list)


def in_order(state: UnitState, item: Item) -> bool:
    """The fact comes after all that the state has taken in."""
    at = state.head_at
    return at is None or item.at > at or (item.at == at and item.key >= (state.head or item.key))


def advance(state: UnitState, fresh: Iterable[Recorded], tail: Tail | None = None) -> Advanced | None:
    """The state after new entries that nothing corrects; None when one of them is out of order."""
    cuts: list[Cut] = []
    since: list[Item] = []  # the last cut, or the tail that was given
    for entry in fresh:
        if TYPES[entry.type].corrects:
            state = witness(state, entry.index)
            continue
        item = simple_item(entry)
        if not in_order(state, item):
            return None
        if tail is not None and tail.floor is not None and item.key < tail.floor:
            return None
        state = step(state, item)
        since.append(item)
        if tail is not None and len(tail.indexes) + len(since) == LENGTH:
            cuts.append(_cut(_grown(tail, since), state))
            tail, since = _after(cuts[-1].stretch, state), []
    return Advanced(state, tail and _grown(tail, since), cuts)


def _grown(tail: Tail, items: Sequence[Item]) -> Tail:
    """With facts that came after it."""
    if not items:
        return tail
    first = tail.first if tail.indexes else key_text(items[0].key)
    indexes = (*tail.indexes, *[item.entry.index for item in items])
    return replace(tail, first=first, indexes=indexes, touched=tail.touched.union(*map(touches, items)))


def _after(stretch: Stretch, state: UnitState) -> Tail:
    """Nothing yet after this stretch, the last one."""
    floor = max(stretch.first, stretch.until)
    return Tail(state, key_of(floor) if floor else None, stretch.place, stretch.upto)


def fills(state: UnitState, fresh: Sequence[Recorded]) -> bool:
    """With these entries the page grows past another stretch."""
    return (state.entries + sum(not TYPES[e.type].corrects for e in fresh)) // LENGTH > state.entries // LENGTH


def since_cut(connection: Connection, book: int, state: UnitState) -> Advanced | None:
    """What is known no more of a page: its facts since it was cut last, folded again up to this state.

    None where it is no plain list: a fact came out of order, or something corrects one.
    """
    page = _Page(connection, book, state.unit)
    return page.since_cut(state)


def _cut(tail: Tail, state: UnitState) -> Cut:
    assert state.head is not None
    place = tail.place + GAP
    indexes = rows.entries_text(tail.indexes)
    first = "" if place == 0 else tail.first
    last = key_text(state.head)
    stretch = Stretch(place, first, last, last, len(tail.indexes), state.index, indexes)
    return Cut(tail, stretch, _said(tail.start, state, tail.touched))


def _every_matter(cell: Cell) -> bool:
    return not cell.name and (cell.member in NAMED or cell.member.startswith(RAISED) or cell in (EVERYTHING, UNHEARD))


def _said(before: UnitState, after: UnitState, touched: frozenset[Cell]) -> dict[Cell, str | None]:
    """The rows of a stretch: what each cell says that was touched; a mark where a fact looked at every matter."""
    said = {cell: rows.said_of(value(after, cell)) for cell in changed(before, after)}
    for cell in touched - said.keys():
        said[cell] = None if _every_matter(cell) else rows.said_of(value(after, cell))
    return said


def keep_cuts(connection: Connection, book: int, unit: str, cuts: Sequence[Cut]) -> bool:
    """Write the cuts; False, and nothing is written, when the page was cut otherwise meanwhile (a redraw)."""
    tail = cuts[0].before
    found = rows.last_stretch(partial(driver.rows, connection), book, unit)
    if found != (None if tail.place < 0 else (tail.place, tail.upto)):
        return False
    _run(connection, rows.stretch_rows(book, unit, (cut.stretch for cut in cuts)))
    for cut in cuts:
        _run(connection, rows.cell_rows(book, unit, cut.stretch.place, cut.said))
    return True


def _run(connection: Connection, write: units.Write) -> None:
    if write.rows:
        driver.change_many(connection, write.sql, write.rows)


@record
class Renewed:
    """remarks : those that were not there before"""

    state: UnitState
    tail: Tail | None
    remarks: list[Raised]


def renewed(connection: Connection, book: int, state: UnitState) -> Renewed:
    """The state after everything that stands on the page, in whatever order it came.

    state : the unit's before the news, or with those of them that came in order
    """
    page = _Page(connection, book, state.unit)
    return page.whole() if page.short else page.renewed(state)


def state_before(connection: Connection, book: int, unit: str, key: Key) -> UnitState:
    """The state before the fact of this key, by all that is known, without remarks: from where its stretch begins."""
    page = _Page(connection, book, unit)
    row = units.read_state(connection, book, unit)
    if not page.known or row is None:
        return replace(draw_unit(connection, book, unit, before=key), remarks=())
    return witness(page.before(key), row.head)


def state_known(connection: Connection, book: int, unit: str, known: int, true_at: datetime | None) -> UnitState | None:
    """The state at a moment by the first `known` entries, without remarks; None where the whole page has to be asked.

    It can be had from a stretch where what came since are plain facts, each after every fact that was known.
    """
    page, row = _Page(connection, book, unit), units.read_state(connection, book, unit)
    since = units.indexes(connection, book, page.subject, above=known - 1)
    if not page.known or row is None or len(since) > LENGTH:
        return None
    news = read_entries(connection, book, since)
    if any(TYPES[entry.type].corrects or entry.subject != page.subject for entry in news):
        return None
    first = min((simple_item(entry).key for entry in news), default=AFTER_ALL)
    before = page.before(first)
    if units.unpack(row.state).entries - before.entries != len(news):
        return None
    if true_at is not None and (true_at, *AFTER_ALL[1:]) < first:
        before = page.before((true_at, *AFTER_ALL[1:]))
    return replace(before, index=units.last_index(connection, book, page.subject, below=known))


class _Page:
    """A unit's page while news are put in, or while it is asked about an earlier moment."""

    def __init__(self, connection: Connection, book: int, unit: str) -> None:
        self.connection, self.book, self.unit, self.subject = connection, book, unit, f"unit:{unit}"
        self.ask = partial(driver.rows, connection)
        self.known = {s.place: s for s in rows.stretches(self.ask, book, unit)}
        self.places = sorted(self.known)
        self.upto = self.known[self.places[-1]].upto if self.places else -1
        self.news = units.indexes(connection, book, self.subject, above=self.upto)
        self.short = not self.known and len(self.news) < 2 * LENGTH
        self.fresh: list[Item] = []  # facts since the page was cut, as they came
        self.dirty: dict[int, set[int]] = {}
        self.other: set[Cell] = set()  # cells that say something else than before at this place
        self.appeared = False  # the unit has an identity here and had none before, or the reverse
        self.remarks: list[Raised] = []
        self.had: set[str] = set()  # keys of remarks that were there

    def whole(self) -> Renewed:
        state = draw_unit(self.connection, self.book, self.unit)
        had = {r.key for r in read_remarks(self.connection, self.book, self.unit)}
        forget_remarks(self.connection, self.book, self.unit)
        _run(self.connection, remark_rows(self.book, self.unit, state.remarks))
        return Renewed(replace(state, remarks=()), None, [r for r in state.remarks if r.key not in had])

    def renewed(self, state: UnitState) -> Renewed:
        if self.known:
            self._put_in(read_entries(self.connection, self.book, self.news))
        if not self.known or self._crowded():
            self._uncut()
            state = begin(self.unit)
        self.other.add(UNHEARD)
        place = self._next(-1)
        while place is not None:
            place = self._next(self._fold(place, self.dirty.pop(place, None)))
        last = self.known[self.places[-1]]
        upto = max(self.upto, *self.news) if self.news else self.upto
        self.known[last.place] = last._replace(upto=upto)
        self._keep(last.place)
        state = patched(state, self._values(self.other | self._taken(state), last.place + 1))
        state = witness(replace(self._head(state, self.places), remarks=()), upto)
        return Renewed(state, _after(self.known[last.place], state), self.remarks)

    def since_cut(self, state: UnitState) -> Advanced | None:
        news = [n for n in self.news if n <= state.index]
        if len(news) >= 2 * LENGTH:
            return None
        entries = read_entries(self.connection, self.book, news)
        if any(TYPES[entry.type].corrects for entry in entries):
            return None
        tail = Tail(begin(self.unit))
        if self.known:
            last = self.known[self.places[-1]]
            self.fresh = [simple_item(entry) for entry in entries]
            start = patched(state, self._values(self._taken(state), last.place + 1))
            tail = _after(last, replace(self._head(start, self.places), index=last.upto))
        found = advance(tail.start, entries, tail)
        if found is None or replace(found.state, remarks=()) != state:
            return None
        return replace(found, state=state)

    def before(self, key: Key) -> UnitState:
        text, last = key_text(key), self.known[self.places[-1]]
        if text > max(last.first, last.until):
            place = last.place + 1
            items = effective_history(read_entries(self.connection, self.book, self.news), self.subject)
        else:
            place = self._place(text)
            items = self._lines(place, read_entries(self.connection, self.book, rows.indexes_of(self.known[place])))
        state = patched(begin(self.unit), self._values((EVERYTHING,), place))
        state = self._head(state, [p for p in self.places if p < place])
        for item in facts(items):
            state = step(state, item) if item.key < key else state
        return replace(state, remarks=())

    def _head(self, state: UnitState, places: Sequence[int]) -> UnitState:
        entries = sum(self.known[p].facts for p in places)
        last = next((s.last for p in reversed(places) if (s := self.known[p]).facts), "")
        at, seq, index = key_of(last) if last else (None, -1, -1)
        return replace(state, entries=entries, head_at=at, head_seq=seq, head_index=index)

    def _crowded(self) -> bool:
        """A stretch has grown that leaves no room for its pieces: it was cut again and again."""
        return any(len(set(self._room(p, len(found)))) < len(found) for p, found in self.dirty.items())

    def _uncut(self) -> None:
        """Begin with one stretch that holds the whole page."""
        for gone in rows.uncut_rows(self.book, self.unit):
            _run(self.connection, gone)
        self.known, self.places = {0: Stretch(0, "", "", "", 0, -1, "[]")}, [0]
        self.had = {r.key for r in read_remarks(self.connection, self.book, self.unit)}
        forget_remarks(self.connection, self.book, self.unit)
        every = units.indexes(self.connection, self.book, self.subject)
        self.dirty, self.appeared = {0: set(every)}, True

    # Where the news belong

    def _put_in(self, news: list[Recorded]) -> None:
        by_id = {e.id: e for e in news}
        roots: dict[str, Recorded] = {}
        for entry in news:
            if TYPES[entry.type].corrects:
                root = root_of(entry, lambda i: by_id.get(i) or find_entry(self.connection, self.book, i))
                roots[root.id] = root
        here = (e for e in news if e.subject == self.subject and not TYPES[e.type].corrects)
        self.fresh = [simple_item(entry) for entry in here]
        for item in self.fresh:
            if item.entry.id not in roots:
                self._there(item).add(item.entry.index)
        for root in roots.values():
            self._move(root, family_of(self.connection, self.book, root))

    def _move(self, root: Recorded, family: list[Recorded]) -> None:
        """Take a fact and its corrections from where they were and put them where they belong now."""
        every = {root.index, *(e.index for e in family)}
        before = self._line(root, [e for e in family if e.index <= self.upto]) if root.index <= self.upto else None
        after = self._line(root, family)
        if before is not None:
            self._there(before).difference_update(every)
        if after is not None:
            self._there(after).update(every)
        if after is None or not after.counts:
            forget_remarks(self.connection, self.book, self.unit, root.id)

    def _line(self, root: Recorded, family: list[Recorded]) -> Item | None:
        return next((i for i in effective_history([root, *family], self.subject) if i.entry.id == root.id), None)

    def _there(self, item: Item) -> set[int]:
        """The entries of the stretch to which a fact belongs."""
        place = self._place(key_text(item.key))
        if place not in self.dirty:
            self.dirty[place] = set(rows.indexes_of(self.known[place]))
        return self.dirty[place]

    def _place(self, text: str) -> int:
        """Of the stretch to which a fact with this order key belongs."""
        return self.places[bisect_right([self.known[p].first for p in self.places], text) - 1]

    # Folding again

    def _next(self, place: int) -> int | None:
        """The next stretch that has to be folded again, after this place."""
        found = [p for p in self.dirty if p > place]
        if self.appeared or Cell("retired") in self.other:
            found += [p for p in self.places if p > place][:1]
        elif self.other:
            wanted = {other for cell in self.other for other in bears_on(cell)}
            further = rows.next_touching(self.ask, self.book, self.unit, wanted, place)
            found += [] if further is None else [further]
        return min(found, default=None)

    def _fold(self, place: int, indexes: set[int] | None) -> int:
        """Fold one stretch again, in pieces where it has grown; the place of the last piece."""
        if indexes is None:
            indexes = set(rows.indexes_of(self.known[place]))
        entries = read_entries(self.connection, self.book, indexes)
        items = self._lines(place, entries)
        families = _families(entries)
        length = LENGTH if len(items) > 2 * LENGTH else max(len(items), 1)
        pieces = [items[n : n + length] for n in range(0, max(len(items), 1), length)]
        had = rows.left_at(self.ask, self.book, self.unit, place)
        carried = {cell: self._before(cell, place) for cell in had if not _every_matter(cell)}
        said: dict[Cell, str | None] = {}
        for at, piece in zip(self._room(place, len(pieces)), pieces, strict=True):
            first = self.known[place].first if at == place else key_text(piece[0].key)
            counting = facts(piece)
            until = key_text(piece[-1].key) if piece else ""
            last = key_text(counting[-1].key) if counting else ""
            every = {i.entry.index for i in piece} | {n for i in piece for n in families[i.entry.id]}
            self.known[at] = Stretch(at, first, until, last, len(counting), -1, rows.entries_text(list(every)))
            found = self._piece(at, counting)
            if at == place:
                _run(self.connection, rows.gone_rows(self.book, self.unit, at, had.keys() - found.keys()))
            _run(self.connection, rows.cell_rows(self.book, self.unit, at, found))
            self._keep(at)
            said |= found
        carried |= {cell: self._before(cell, place) for cell in said.keys() - carried.keys() if not _every_matter(cell)}
        self._compare(had, said, carried)
        self.places = sorted(self.known)
        return at

    def _lines(self, place: int, entries: Sequence[Recorded]) -> list[Item]:
        """The lines of a stretch, struck ones too: a release did not know of what was struck later."""
        items = [i for i in effective_history(entries, self.subject) if not TYPES[i.entry.type].corrects]
        signed = [i.entry.index for i in items if i.entry.type == "unit.released"]
        if not signed:
            return items
        earlier: set[int] = set()
        for before in self.places[: self.places.index(place)]:
            indexes = self.dirty.get(before) or rows.indexes_of(self.known[before])
            if max(indexes, default=-1) > min(signed):
                earlier.update(indexes)
        if not earlier:
            return items
        every = effective_history([*read_entries(self.connection, self.book, earlier), *entries], self.subject)
        here = {i.entry.id for i in items}
        return [i for i in every if i.entry.id in here]

    def _piece(self, place: int, items: Sequence[Item]) -> dict[Cell, str | None]:
        touched = frozenset(cell for item in items for cell in touches(item))
        before = self._state_at(place, touched)
        state = before
        for item in items:
            state = step(state, item)
        self._remark([i.entry.id for i in items], state.remarks)
        return _said(before, state, touched)

    def _taken(self, state: UnitState) -> set[Cell]:
        """What the state may have from facts since the page was cut, which no stretch knows as they were then."""
        ids = {item.entry.id for item in self.fresh}
        raised = {Cell(RAISED + r.code, r.entry) for r in state.raised.values() if r.entry in ids}
        return raised.union(*(touches(item) for item in self.fresh))

    def _state_at(self, place: int, touched: frozenset[Cell]) -> UnitState:
        """The state at the beginning of a stretch, as far as its facts look at it."""
        return patched(begin(self.unit), self._values(touched | ALWAYS, place))

    def _values(self, wanted: Iterable[Cell], place: int) -> dict[Cell, object]:
        """What cells say at the beginning of a stretch."""
        found: dict[Cell, str | None] = {}
        for cell in wanted:
            if cell == UNHEARD:
                continue
            if cell == EVERYTHING:
                found |= rows.matters_before(self.ask, self.book, self.unit, None, place)
            elif _every_matter(cell):
                found |= rows.matters_before(self.ask, self.book, self.unit, cell.member, place)
            else:
                found[cell] = self._before(cell, place)
        return {cell: rows.read_cell(cell, said) for cell, said in found.items() if cell not in (EVERYTHING, UNHEARD)}

    def _compare(
        self, had: dict[Cell, str | None], said: dict[Cell, str | None], carried: dict[Cell, str | None]
    ) -> None:
        """Which cells come out of a stretch other than they did before."""
        for cell, before in carried.items():
            known = cell in had or cell not in self.other
            old, new = had.get(cell, before), said.get(cell, before)
            if cell == Cell("identity"):
                self.appeared = not known or (old is None) != (new is None)
            if known and old == new:
                self.other.discard(cell)
            else:
                self.other.add(cell)

    def _room(self, place: int, pieces: int) -> list[int]:
        """Places for the pieces of a stretch, before the one that follows it."""
        after = next((p for p in self.places if p > place), place + pieces * GAP)
        return [place + n * ((after - place) // pieces) for n in range(pieces)]

    def _before(self, cell: Cell, place: int) -> str | None:
        return rows.cell_before(self.ask, self.book, self.unit, cell, place)

    def _remark(self, entries: Sequence[str], made: Sequence[Raised]) -> None:
        known = set(remarks_on(self.ask, self.book, self.unit, entries))
        self.had |= {r.key for r in known}
        _run(self.connection, gone_remarks(self.book, self.unit, known.difference(made)))
        _run(self.connection, remark_rows(self.book, self.unit, [r for r in made if r not in known]))
        self.remarks += [r for r in made if r.key not in self.had]

    def _keep(self, place: int) -> None:
        _run(self.connection, rows.stretch_rows(self.book, self.unit, [self.known[place]]))


def _families(entries: Iterable[Recorded]) -> dict[str, list[int]]:
    """The corrections of each fact, by its id; a correction comes after its target."""
    roots: dict[str, str] = {}
    found: dict[str, list[int]] = defaultdict(list)
    for entry in sorted(entries, key=lambda e: e.index):
        if TYPES[entry.type].corrects:
            root = roots[entry.id] = roots.get(entry.data["target"], entry.data["target"])
            found[root].append(entry.index)
    return found
