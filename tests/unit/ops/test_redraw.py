"""Redrawing against the oracle of tests/property: a plain fold over the whole book, and filing by the rule's own words.

Which subjects an entry names is taken from `named_subjects`, what its type moves from the tables of `domain.changes`;
nothing of `filing` is used here.
"""

import json
import os
import random
from itertools import pairwise

import orjson
import pytest
from click.testing import CliRunner
from hypothesis import given
from sqlalchemy import select

from service_api import cli
from service_api.app import Store
from service_api.domain.changes import LEANS, moved_by
from service_api.domain.entries.registry import TYPES
from service_api.domain.ledger import CLAIMING, Line, claims, doubts, latest
from service_api.domain.moments import in_utc, parse
from service_api.domain.plain import plain
from service_api.domain.references import named_subjects
from service_api.domain.slips import Slip
from service_api.domain.slips import doubts as doubts_of_slips
from service_api.domain.timeline import effective_history
from service_api.ops import others
from service_api.ops import redraw as ops
from service_api.ops.agreeing import agreed
from service_api.ops.calls import done_for
from service_api.ops.commands import listening
from service_api.ops.parts import Disagrees
from service_api.ops.redraw import MISLED, redraw
from service_api.ops.swap import CUT
from service_api.permits import Sender
from service_api.projections import tables, units
from service_api.settings import Settings
from service_api.wire.entries import read_draft
from tests import factories as f
from tests.conftest import new_book
from tests.property.test_oracle import CUTS, FEW, STORIES, by_the_book, hear, moved_to, root_of, whole
from tests.unit.test_server_store import story

OWN, NAMED, DRAWN = 0, 1, 2  # projections/tables.py says what they mean
# Each breaks the rows of a projection of `book`, as somebody's hand or a bad disk would.
BY_HAND = {
    "page": "UPDATE page SET entries = entries + 1 WHERE book = {book} AND subject = 'unit:U-1'",
    "entry_topic": "DELETE FROM entry_topic WHERE book = {book} AND topic = 'unit:U-1' AND relation = 0",
    "unit_state": "UPDATE unit_state SET state = '{{}}', serial = NULL WHERE book = {book} AND unit = 'U-1'",
    "tag_span": "INSERT INTO tag_span VALUES ({book}, 'OWN-9', 'U-1', 'no entry', '2026-01-01', NULL, NULL)",
    "remark": "INSERT INTO remark VALUES ({book}, 'U-1', 'no entry', 'late-typed', '{{}}')",
    "change": "UPDATE change SET changed = 'weather' WHERE book = {book}",
    "context": "DELETE FROM context WHERE book = {book}",
    "claim": "UPDATE claim SET live = 0 WHERE book = {book}",
    "slip": "INSERT INTO slip VALUES ({book}, 'tab', 99, 0, 'no entry', 1, '2026', '2026', 0)",
    "doubt": "INSERT INTO doubt VALUES ({book}, 'unit:U-1', 'no-such:doubt', 'tag/OWN-1', -1, 'nothing')",
}


def rows(store, book):
    """Every projection of the book, byte for byte."""
    with store.reading.begin() as connection:
        return {
            table.name: sorted(
                map(tuple, connection.execute(select(table).where(table.c.book == book.number))), key=repr
            )
            for table in tables.metadata.sorted_tables
            if not table.name.startswith("stretch")
        }


# The oracle


def rows_by_the_book(entries, book):
    number = book.number
    pages, topics = {}, {}
    for entry in entries:
        count, _ = pages.get(entry.subject, (0, -1))
        pages[entry.subject] = (count + 1, entry.index)
    for entry, topic, relation in filed(entries):
        key = (topic, entry.index)
        topics[key] = (entry.type, relation if key not in topics or topics[key][1] == NAMED else topics[key][1])
    folded = {unit: by_the_book(entries, unit) for unit in units_of(entries)}
    known = {e.id: e for e in entries}
    context = [e.index for e in entries if leaned_on(root_of(e, known))]
    found = {
        "page": [(number, subject, *page) for subject, page in pages.items()],
        "entry_topic": [(number, topic, index, said[1], said[0]) for (topic, index), said in topics.items()],
        "unit_state": [
            (number, unit, state.index, *engraved(state), units.pack(state)) for unit, state in folded.items()
        ],
        "tag_span": [
            (number, t.tag, unit, t.entry, in_utc(t.since, 6), t.until and in_utc(t.until, 6), t.why)
            for unit, state in folded.items()
            for t in state.tags
        ],
        "remark": [
            (number, unit, r.entry, r.code, orjson.dumps(plain(r)).decode())
            for unit, state in folded.items()
            for r in state.remarks
        ],
        "change": [(number, *change) for change in changed(entries, known)],
        "context": [(number, max(context))] if context else [],
        "claim": (lines := list(claimed(entries, known))) and [(number, *line) for line in lines],
        "slip": [(number, *slip) for slip in sent(entries)],
        "doubt": [(number, *row) for row in (*doubtful(lines, folded), *missing(entries, lines))],
    }
    return {name: sorted(rows, key=repr) for name, rows in found.items()}


def changed(entries, known):
    """(index, unit, what): a correction changes what its fact did, on every page that shows the fact by then."""
    pages = {}
    for entry in entries:
        root = root_of(entry, known)
        pages.setdefault(root.id, {root.subject}).update({moved_to(entry, known)} - {None})
        if root.type in LEANS and entry.type != "entry.annotated":
            yield entry.index, "", " ".join(LEANS[root.type])
        for page in sorted(pages[root.id]) if moved_by(entry, root) else ():
            if page.startswith("unit:"):
                yield entry.index, page.removeprefix("unit:"), " ".join(moved_by(entry, root))


def claimed(entries, known):
    """(key, fact, since, entry, subject, live, at, nth, type, said): a line by the fact and by each correction of it
    that says otherwise, from the history of as much of the book as there was."""
    lines = {}
    for entry in entries:
        root = root_of(entry, known)
        if root.type not in CLAIMING or (entry is not root and entry.type in ("entry.annotated", "entry.disputed")):
            continue
        now = {}
        for subject in {e.subject for e in entries} | {f"unit:{u}" for u in units_of(entries)}:
            if entry is root and subject != root.subject:
                continue
            seen = [entry] if entry is root else entries[: entry.index + 1]
            for item in effective_history(seen, subject):
                if item.entry.id == root.id and item.counts:
                    at, said = in_utc(item.at, 6), claims(item, subject)
                    now = {key: (1, subject, at, packed(what)) for key, what in said.items()}
        before = lines.setdefault(root.id, {})
        for key, said in now.items():
            if before.get(key) != said:
                before[key] = said
                yield line_of(key, root, entry, said)
        for key in before.keys() - now.keys():
            if before[key][0]:
                before[key] = (0, *before[key][1:])
                yield line_of(key, root, entry, before[key])


def packed(said):
    return json.dumps(said, separators=(",", ":"), sort_keys=True, ensure_ascii=False)


def line_of(key, root, entry, said):
    live, subject, at, text = said
    return key, root.index, entry.index, root.id, subject, live, at, root.device_seq, root.type, text


def doubtful(lines, folded):
    """(subject, key, cause, head, said): what two claims contradict, and how far a unit's neighbours go."""
    by_key = {}
    for line in lines:
        key, fact, since, ident, subject, live, at, nth, kind, said = line
        if key.startswith("lot/"):  # added up when somebody asks
            continue
        found = Line(key, fact, since, ident, subject, bool(live), at, nth, kind, json.loads(said))
        by_key.setdefault(key, []).append(found)
    heads = {}
    lifted = {key.partition("/")[2] for key, found in by_key.items() if key.startswith("lifted/") and latest(found)}
    for key, found in by_key.items():
        for one in found:
            for other in found:
                lifts = by_key.get(f"lifted/piece-gap:{other.entry}", []) if key.startswith("piece/") else []
                for beside in (other, *lifts) if len({line.fact for line in found}) > 1 else ():
                    if one.subject != beside.subject and one.subject.startswith("unit:"):
                        heads[one.subject] = max(heads.get(one.subject, -1), beside.since)
        for doubt in doubts(key, latest(found), lambda units: {u: folded[u] for u in units}):
            if doubt.key in lifted:
                continue
            text = json.dumps(plain(doubt), separators=(",", ":"), ensure_ascii=False)
            for subject in {doubt.subject, *(f"unit:{unit}" for unit in doubt.units)}:
                yield subject, f"{doubt.key} {key}", key, -1, text
    yield from ((subject, "", "", head, "") for subject, head in heads.items())


def sent(entries):
    """(device, seq, fact, entry, live, typed, at, moved) of a device's entries; of two with one number the first."""
    found = {}
    for entry in entries:
        if entry.device is not None:
            typed = in_utc(parse(entry.occurred_at), 6)
            moved = entry.device.note.clock_moved_ms if entry.device.note else 0
            row = (entry.index, entry.id, int(entry.source_kind == "live"), typed, in_utc(entry.moment, 6), moved)
            found.setdefault((entry.device.id, entry.device.seq), row)
    return [(*key, *row) for key, row in found.items()]


def missing(entries, lines):
    """(subject, key, cause, head, said): numbers that a device has not sent, and steps of its clock unexplained."""
    lifted = {key.partition("/")[2] for key, _, _, _, _, live, *_ in lines if live}
    struck = {key.partition("/")[2] for key, _, _, _, _, live, *_ in lines if not live}
    for a, b in pairwise(sorted(sent(entries))):
        if a[0] != b[0]:
            continue
        found = doubts_of_slips(Slip(*a[:4], bool(a[4]), *a[5:]), Slip(*b[:4], bool(b[4]), *b[5:]))
        for doubt in found:
            if doubt.key not in lifted - struck:
                text = json.dumps(plain(doubt), separators=(",", ":"), ensure_ascii=False)
                cause = f"device/{b[0]}/{b[1]}"
                yield doubt.subject, f"{doubt.key} {cause}", cause, -1, text


def engraved(state):
    return (state.identity.class_, state.identity.serial) if state.identity else ("", None)


SAID_TO_THE_GATE = {  # CONTRACT C: checks, the final run, what it has to come after, findings; and that there is a job
    "job.opened",
    "check.answered",
    "run.recorded",
    "part.fitted",
    "part.removed",
    "work.done",
    "setting.left",
    "rebuild.completed",
    "finding.closed",
}


def filed(entries):
    """(entry, topic, relation) by the words of projections/tables.py, over the whole book at once."""
    known, pages = {e.id: e for e in entries}, {}
    for entry in entries:
        pages.setdefault(root_of(entry, known).id, set()).add(moved_to(entry, known))
    for entry in entries:
        yield entry, entry.subject, OWN
        yield from ((entry, subject, NAMED) for subject in named_subjects(entry))
        for job in {entry.job, entry.data.get("job")} - {None}:
            yield entry, f"job:{job}", OWN
            if entry.type in SAID_TO_THE_GATE:
                yield entry, f"gate:{job}", OWN
        if TYPES[entry.type].corrects:
            yield entry, f"fact:{root_of(entry, known).id}", OWN
        if entry.type in ("tag.attached", "tag.detached"):
            yield entry, f"tag:{entry.data['tag']}", OWN  # the tags told of here are in upper case
        yield from ((entry, f"party:{party}", OWN) for party in goes_to(entry))
        if entry.subject.startswith("alert:"):
            yield entry, "alerts", OWN
        there = pages[root_of(entry, known).id] - {None, entry.subject}
        yield from ((entry, page, DRAWN) for page in there)


def goes_to(entry):
    """Whose a unit becomes by this entry, or by what a correction may make of one."""
    names = {"unit.registered": ["owner"], "unit.sold": ["to"], "unit.dispatched": ["to"]}.get(entry.type, [])
    data = entry.data
    if entry.type == "entry.superseded":
        names = ["owner", "to"]
        while isinstance(data.get("data"), dict):
            data = data["data"]
    return {data[name] for name in names if name in data}


def units_of(entries):
    """Every unit on whose page an entry stands, by itself or moved there."""
    found = {topic for entry, topic, relation in filed(entries) if relation != NAMED}
    return sorted(t.removeprefix("unit:") for t in found if t.startswith("unit:"))


def leaned_on(fact):
    """DESIGN 6: sheet revisions, the gauges used, alerts, authorisations and terms are the context."""
    return fact.subject.partition(":")[0] in ("class", "alert", "shop") or fact.type.startswith(
        ("gauge.", "authorisation.")
    )


# The tests


@FEW
@given(STORIES, CUTS)
def test_a_redraw_gives_the_rows_that_were_there_and_those_of_a_fold_over_the_whole_book(store, told, cuts):
    book = hear(store, told, cuts)
    before = rows(store, book)
    assert rows_by_the_book(whole(store, book), book) == before
    found = redraw(store, book)
    assert before == rows(store, book)
    assert (len(whole(store, book)), len(before["unit_state"]), 0) == (found.entries, found.units, found.put_right)
    assert (found.entries, found.units) == agreed(store, book), "nothing had to be drawn aside"


@FEW
@given(STORIES, CUTS)
def test_a_redraw_from_nothing_gives_the_rows_of_a_fold_over_the_whole_book(store, told, cuts):
    book = hear(store, told, cuts)
    with store.writing.begin() as connection:
        for table in tables.metadata.sorted_tables:
            connection.execute(table.delete().where(table.c.book == book.number))
    redraw(store, book)
    assert rows_by_the_book(whole(store, book), book) == rows(store, book)


@pytest.mark.parametrize("processes", (1, 2, 3))
def test_the_demo_is_redrawn_to_the_byte(demo_copy, processes):
    store, book = demo_copy.store, demo_copy.book
    before, entries = rows(store, book), whole(store, book)
    assert rows_by_the_book(entries, book) == before
    seen = []
    assert agreed(store, book, processes=processes)[0] == len(entries), "nothing has to be drawn aside"
    found = redraw(store, book, seen.append, processes=processes)
    assert (len(entries), 0) == (found.entries, found.put_right)
    assert len(entries) == sum(seen), "the bar comes to its end"
    assert before == rows(store, book)
    with store.writing.begin() as connection:
        for table in tables.metadata.sorted_tables:
            connection.execute(table.delete().where(table.c.book == book.number))
    redraw(store, book, processes=processes)
    assert before == rows(store, book)


def test_a_process_that_dies_leaves_the_old_rows(store, told_book, monkeypatch):
    """So does the redraw break off, and nothing is swapped."""
    break_it(store, told_book, "page")
    before = rows(store, told_book)
    monkeypatch.setattr(others, "_draw", os.getcwd)  # takes no arguments: the process fails at once
    with pytest.raises(RuntimeError, match="ended before its time"):
        redraw(store, told_book, processes=2)
    assert before == rows(store, told_book)


@pytest.fixture
def told_book(standing_unit, tell, book):
    """A book with something in every projection."""
    tell(f.tag_attached("OWN-1"), f.fitted(), f.reading("0.20"))
    return book


@pytest.mark.parametrize("cuts", ([], [1, 2, 3]), ids=("in one batch", "one by one"))
def test_a_correction_changed_no_page_to_which_its_fact_moved_later(store, cuts):
    """The rows of a pull follow from the log: who corrects first and moves then in one batch makes the same rows."""
    reading = f.reading("0.20")
    told = [reading, f.superseded(reading, f.reading("0.30")["data"]), f.reattributed(reading, "unit:U-2")]
    book = hear(store, told, cuts)
    first = len(whole(store, book)) - len(told)
    found = [(index - first, unit) for _, index, unit, _ in rows(store, book)["change"] if index >= first]
    assert [(0, "U-1"), (1, "U-1"), (2, "U-1"), (2, "U-2")] == sorted(found)


@pytest.mark.parametrize("table", BY_HAND)
def test_what_was_edited_by_hand_is_put_right(store, told_book, table):
    before = rows(store, told_book)
    break_it(store, told_book, table)
    assert before[table] != rows(store, told_book)[table]
    with pytest.raises(Disagrees, match=table):
        agreed(store, told_book)
    assert 1 <= redraw(store, told_book).put_right
    assert before == rows(store, told_book)


def break_it(store, book, table):
    with store.writing.begin() as connection:
        connection.exec_driver_sql(BY_HAND[table].format(book=book.number))


def test_every_projection_is_broken_by_hand_once():
    """But where pages are cut, which a redraw forgets."""
    assert {t for t in tables.metadata.sorted_tables if t not in CUT} == {tables.metadata.tables[n] for n in BY_HAND}


def test_a_redraw_forgets_where_pages_are_cut(store, told_book):
    with store.writing.begin() as connection:
        for table in CUT:
            connection.execute(table.delete())
            row = {c.name: 0 if c.type.python_type is int else "x" for c in table.columns} | {"book": told_book.number}
            connection.execute(table.insert(), row)
    redraw(store, told_book)
    with store.reading.begin() as connection:
        assert [[], []] == [list(connection.execute(select(table))) for table in CUT]


def test_another_book_stays_as_it_is(store, told_book):
    other = new_book(store, "test.example/other")
    break_it(store, other, "tag_span")
    before = rows(store, other)
    redraw(store, told_book)
    assert before == rows(store, other)


@pytest.mark.parametrize("after", (1, 2, 3))
def test_a_redraw_that_is_broken_off_leaves_the_old_rows(store, told_book, monkeypatch, after):
    """Broken off after the first change to a real table, and after later ones."""
    for table in BY_HAND:
        break_it(store, told_book, table)
    before = rows(store, told_book)
    whole_change, done = ops.Swap._change, []

    def change(self, old, new):
        if len(done) == after:
            raise KeyboardInterrupt
        done.append(old.name)
        return whole_change(self, old, new)

    monkeypatch.setattr(ops.Swap, "_change", change)
    with pytest.raises(KeyboardInterrupt):
        redraw(store, told_book)
    assert after == len(done)
    assert before == rows(store, told_book)
    monkeypatch.undo()
    assert 1 <= redraw(store, told_book).put_right


def test_what_is_recorded_while_it_draws_is_drawn_too(store, told_book, tell):
    """The append needs no lock that the redraw holds, and is in the rows that come at the end."""
    heard = []

    def meanwhile(_):
        if not heard:
            heard.extend(tell(f.removed(), f.tag_attached("OWN-2"), f.reading("0.21")))

    found = redraw(store, told_book, meanwhile)
    entries = whole(store, told_book)
    assert (len(entries), 0) == (found.entries, found.put_right)
    assert heard[-1]["id"] == entries[-1].id
    assert rows_by_the_book(entries, told_book) == rows(store, told_book)


def test_a_reader_sees_the_old_rows_until_the_end(store, told_book, monkeypatch):
    before = rows(store, told_book)
    break_it(store, told_book, "page")
    broken, seen = rows(store, told_book), []
    whole_change = ops.Swap._change

    def change(self, old, new):
        found = whole_change(self, old, new)
        seen.append(rows(store, told_book))
        return found

    monkeypatch.setattr(ops.Swap, "_change", change)
    redraw(store, told_book)
    assert [broken] * len(BY_HAND) == seen
    assert before == rows(store, told_book)


def test_the_server_store_is_redrawn_to_the_byte(postgresql_engine, tmp_path, clock):
    """The same temporary tables, the same swap."""
    url = postgresql_engine.url.render_as_string(hide_password=False)
    opened = Store(Settings(tmp_path, url, "+01:00"), clock)
    try:
        book = new_book(opened, "server.example/depot")
        for batch in story():
            opened.recorder(book.number).record([read_draft(raw) for raw in batch], Sender("token-1", vouches=True))
        before = rows(opened, book)
        assert rows_by_the_book(whole(opened, book), book) == before
        assert 0 == redraw(opened, book).put_right
        for table in BY_HAND:
            break_it(opened, book, table)
        assert len(BY_HAND) <= redraw(opened, book).put_right
        assert before == rows(opened, book)
    finally:
        opened.close()


# The command


def run(store, *words):
    """The command, while this process serves the store."""
    with listening(store, done_for):
        return CliRunner().invoke(cli.main, ["--data", str(store.settings.data), *words])


def test_the_command_says_what_it_drew_of_every_book(store, told_book):
    new_book(store, "test.example/other")
    answer = run(store, "--json", "redraw")
    assert 0 == answer.exit_code, answer.output
    found = json.loads(answer.stdout)["books"]
    size = len(whole(store, told_book))
    assert [("test.example/depot", size, 3, 0), ("test.example/other", 0, 0, 0)] == [
        (b["book"], b["entries"], b["units"], b["put_right"]) for b in found
    ]
    assert "" == answer.stderr  # no bar where nobody looks
    one = json.loads(run(store, "--json", "--book", "test.example/other", "redraw").stdout)["books"]
    assert ["test.example/other"] == [b["book"] for b in one]


def test_a_log_that_lacks_an_entry_is_told_and_the_old_rows_stay(store, told_book):
    before = rows(store, told_book)
    with store.writing.begin() as connection:
        for (name,) in connection.exec_driver_sql("SELECT name FROM sqlite_master WHERE type = 'trigger'").all():
            connection.exec_driver_sql(f"DROP TRIGGER {name}")
        connection.exec_driver_sql("DELETE FROM entry WHERE log_index = 2")
    answer = run(store, "redraw")
    assert (1, True) == (answer.exit_code, "lacks an entry" in answer.stderr), answer.output
    assert before == rows(store, told_book)


def test_a_store_that_cannot_be_opened_is_exit_status_3(tmp_path):
    (tmp_path / "fettlebook.db").write_bytes(b"this is no database " * 500)
    answer = CliRunner().invoke(cli.main, ["--data", str(tmp_path), "redraw"])
    assert 3 == answer.exit_code, answer.output
    assert "cannot be opened" in answer.stderr


def test_corrections_are_among_what_the_demo_redraws(demo):
    """Else the demo would prove little."""
    assert {"entry.reattributed"} <= {e.type for e in whole(demo.store, demo.book) if TYPES[e.type].corrects}


def harmed(connection, table, book, chance):
    """One row of the table gone, changed, or there twice under another key; what was done to it, in words."""
    every = [dict(row) for row in connection.execute(select(table).where(table.c.book == book)).mappings()]
    row, how = chance.choice(every), chance.choice(("gone", "changed", "twice"))
    columns = [c for c in table.columns if c.name != "book"]
    column = chance.choice([c for c in columns if c.primary_key == (how == "twice")] or columns)
    if how != "twice":
        connection.execute(table.delete().where(*(c == row[c.name] for c in table.primary_key)))
    if how != "gone":
        value = row[column.name]
        other = {int: lambda: value + 10_000, str: lambda: f"{value}~", bytes: lambda: value + b" "}
        connection.execute(table.insert(), row | {column.name: other.get(type(value), lambda: "something")()})
    return f"{table.name} {column.name} {how}: {row}"


@pytest.mark.parametrize("table", [t for t in BY_HAND if t != "context"])
def test_no_harmed_row_agrees_with_the_log(store, table):
    """Of a book with corrections, moves and news that came late."""
    book, chance, told = new_book(store, "harmed.example/depot"), random.Random(table), story()
    slips = [f.reading("0.25") | {"device": {"id": "tab", "seq": seq}} for seq in (1, 2, 5)]
    late = f.scanned() | {"occurred_at": "2025-12-01T08:00:00+01:00"}
    for batch in (*told, [*slips, late, f.tag_attached("OWN-1"), f.tag_attached("OWN-1", unit="U-2")]):
        heard = store.recorder(book.number).record([read_draft(raw) for raw in batch], Sender("token-1", vouches=True))
        assert {"recorded"} == {one.status for one in heard}, [str(one.refusal) for one in heard]
    of_story = tables.metadata.tables[table]
    before = rows(store, book)[table]
    for _ in range(8):
        with store.writing.begin() as connection:
            done = harmed(connection, of_story, book.number, chance)
        with pytest.raises(MISLED):
            pytest.fail(f"agreed: {done} {agreed(store, book)}")
        with store.writing.begin() as connection:
            connection.execute(of_story.delete().where(of_story.c.book == book.number))
            connection.execute(of_story.insert(), [dict(zip(of_story.c.keys(), row, strict=True)) for row in before])
    assert agreed(store, book), "all is as it was"
