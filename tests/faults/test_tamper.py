"""B29: a book edited beneath its service in thirty ways. The auditor finds and locates every one; `verify` finds from
the inside whatever leaves a trace there, says of the rest that it needs an outside memory, and finds it with one.

Where somebody altered the store and made leaves and head again, the key signs it: only who has a root, or leaves, from
before can know.
"""

import shutil

import pytest
from click.testing import CliRunner

from service_api import cli
from tests import factories as make
from tests.conftest import client_with, token_of
from tests.faults.tampering import Drill, drill_in, prepared, said

OLD, PAPER, SIZE = 270, 290, 300
EVERY_WAY = ["cut tail", "fork signed anew", "old backup"]


def entries(size):
    found = [make.sheet_issued(), make.registered(), make.registered("U-2")]
    while len(found) < size:
        if len(found) == PAPER:
            found.append(make.released())
            continue
        unit = "U-1" if len(found) % 2 else "U-2"
        found.append(make.scanned(unit=unit, site="north-shed"))
    return found


@pytest.fixture(scope="module")
def book(tmp_path_factory, migrated):
    folder = tmp_path_factory.mktemp("prepared")
    return folder, prepared(folder, migrated, entries, (OLD, PAPER, SIZE))


@pytest.fixture
def drill(book, tmp_path) -> Drill:
    return drill_in(book[0], tmp_path, book[1])


def verified(drill, *papers, quick=False):
    words = [word for paper in papers for word in ("--against", str(drill.paper(paper)))] + ["--quick"] * quick
    return said(CliRunner().invoke(cli.main, ["--data", str(drill.data), "--json", "verify", *words]))


# Ways to alter a book. Each says its number, its name, and what auditor and verify find:
# (how, first entry, last entry), None where no entry is meant

WAYS = []


def way(number, name, auditor, inside):
    """inside : what verify finds; "memory": nothing without a paper, and with one what `with_paper` says"""

    def mark(alter):
        WAYS.append(pytest.param(alter, auditor, inside, id=f"{number:02}-{name}"))
        return alter

    return mark


@way(1, "one-byte-of-a-text", {("edited", 10, 10)}, {("edited", 10, 10)})
def _(drill):
    with drill.beneath() as b:
        b.put(10, b.text(10).replace(b"north-shed", b"north-shad"))


@way(2, "author-swapped", {("edited", 20, 20)}, {("edited", 20, 20)})
def _(drill):
    with drill.beneath() as b:
        b.change(20, by="bob.bench")


@way(3, "moment-of-the-work-moved", {("edited", 30, 30)}, {("edited", 30, 30)})
def _(drill):
    with drill.beneath() as b:
        b.change(30, occurred_at="2025-12-01T08:00:00+01:00")


@way(4, "clock-moved", {("edited", 40, 40)}, {("edited", 40, 40), ("reordered", 40, 40)})
def _(drill):
    with drill.beneath() as b:
        b.change(40, recorded_at="2025-12-01T08:00:00.000Z")


@way(5, "text-and-leaf", {("edited", 50, 50), ("damaged", 50, 50)}, {("edited", 50, 50), ("edited", None, None)})
def _(drill):
    with drill.beneath() as b:
        b.change(50, site="south-shed")
        b.leaf(50)


@way(6, "one-byte-of-a-leaf", {("damaged", 60, 60)}, {("damaged", 60, 60)})
def _(drill):
    with drill.beneath() as b:
        b.run("UPDATE receipt SET leaf = zeroblob(32) WHERE log_index = 60")


@way(7, "text-removed", {("missing", 70, 255)}, {("missing", 70, 70)})
def _(drill):
    with drill.beneath() as b:
        b.drop(70, "entry")


@way(8, "entry-removed-from-the-middle", {("missing", 80, 255)}, {("missing", 80, 80)})
def _(drill):
    with drill.beneath() as b:
        b.drop(80, "entry", "receipt", "entry_id")


@way(9, "entry-removed-from-the-end", {("missing", 299, 299)}, {("missing", 299, 299)})
def _(drill):
    with drill.beneath() as b:
        b.drop(299, "entry", "receipt", "entry_id")


@way(10, "tail-removed-beneath-its-head", {("missing", 296, 299)}, {("missing", n, n) for n in range(296, 300)})
def _(drill):
    with drill.beneath() as b:
        for index in range(296, 300):
            b.drop(index, "entry", "receipt", "entry_id")


@way(11, "receipt-removed", {("missing", 90, 255)}, {("missing", 90, 90)})
def _(drill):
    with drill.beneath() as b:
        b.drop(90, "receipt")


@way(
    12, "two-texts-swapped", {("edited", 100, 100), ("edited", 102, 102)}, {("edited", 100, 100), ("edited", 102, 102)}
)
def _(drill):
    with drill.beneath() as b:
        one, other = b.text(100), b.text(102)
        b.put(100, other)
        b.put(102, one)


@way(13, "two-entries-swapped-with-leaves", {("edited", 110, 110), ("edited", 111, 111)}, {("reordered", 110, 110)})
def _(drill):
    with drill.beneath() as b:
        one, other = b.text(110), b.text(111)
        b.put(110, other)
        b.put(111, one)
        b.leaf(110)
        b.leaf(111)


@way(
    14,
    "two-entries-swapped-and-signed-anew",
    {("forked", 120, 121)},
    {("reordered", 120, 120), ("reordered", 121, 121)},
)
def _(drill):
    with drill.beneath() as b:
        one, other = b.text(120), b.text(121)
        b.put(120, other)
        b.put(121, one)
        b.remake()


@way(15, "clock-moved-and-signed-anew", {("forked", 130, 130)}, {("reordered", 130, 130)})
def _(drill):
    with drill.beneath() as b:
        b.change(130, recorded_at="2025-12-01T08:00:00.000Z")
        b.remake()


@way(16, "number-on-the-page-changed-and-signed-anew", {("forked", 140, 140)}, {("missing", 140, 140)})
def _(drill):
    with drill.beneath() as b:
        b.change(140, seq=999)
        b.remake()


@way(17, "moved-to-another-page-and-signed-anew", {("forked", 150, 150)}, {("inserted", 150, 150)})
def _(drill):
    with drill.beneath() as b:
        b.change(150, subject="unit:U-1")
        b.remake()


@way(18, "index-in-the-text-changed-and-signed-anew", {("forked", 160, 160)}, {("reordered", 160, 160)})
def _(drill):
    with drill.beneath() as b:
        b.change(160, index=161)
        b.remake()


@way(19, "form-of-the-text-changed-and-signed-anew", {("forked", 170, 170)}, {("edited", 170, 170)})
def _(drill):
    with drill.beneath() as b:
        b.put(170, b.text(170).replace(b'"data":{}', b'"data": {}'))
        b.remake()


@way(20, "a-fraction-put-in-and-signed-anew", {("forked", 180, 180)}, {("edited", 180, 180)})
def _(drill):
    with drill.beneath() as b:
        b.change(180, data={"place": 0.5})
        b.remake()


@way(
    21,
    "left-out-renumbered-and-signed-anew",
    {("forked", 190, 298), ("rolled back", 299, 299)},
    {("missing", 191, 191)},
)
def _(drill):
    with drill.beneath() as b:
        b.drop(190, "entry", "receipt", "entry_id")
        for index in range(191, SIZE):
            b.change(index, index=index - 1)
            b.move(index, index - 1)
        b.remake()


@way(22, "put-in-twice-and-signed-anew", {("inserted", 300, 300)}, {("reordered", 300, 300), ("inserted", 300, 300)})
def _(drill):
    with drill.beneath() as b:
        b.run("INSERT INTO entry SELECT book, 300, hashed FROM entry WHERE log_index = 200")
        b.run("INSERT INTO receipt SELECT book, 300, leaf, said FROM receipt WHERE log_index = 200")
        b.remake()


@way(23, "root-of-the-head", {("missing", None, None)}, {("edited", None, None)})
def _(drill):
    with drill.beneath() as b:
        b.run("UPDATE log_head SET root = zeroblob(32)")


@way(24, "edge-of-the-head", {("missing", None, None)}, {("edited", None, None)})
def _(drill):
    with drill.beneath() as b:
        b.run("UPDATE log_head SET edge = zeroblob(length(edge))")


@way(25, "size-of-the-head", {("missing", None, None)}, {("inserted", 296, 299), ("edited", None, None)})
def _(drill):
    with drill.beneath() as b:
        b.run("UPDATE log_head SET size = 296")


@way(26, "secret-key-swapped", {("badly signed", None, None)}, {("badly signed", None, None)})
def _(drill):
    with drill.opened() as (store, book):
        public = store.keys(book).public.read_text()
        store.keys(book).rotate("2026-02-01T00:00:00.000Z")
        store.keys(book).public.write_text(public)


@way(27, "tail-cut-off-and-traces-covered", {("rolled back", 280, 299)}, "memory")
def cut_tail(drill):
    with drill.beneath() as b:
        for index in range(280, SIZE):
            b.drop(index, "entry", "receipt", "entry_id")
        b.remake()
    drill.redrawn()


@way(28, "fork-signed-anew-and-traces-covered", {("forked", 210, 210)}, "memory")
def fork(drill):
    with drill.beneath() as b:
        b.change(210, site="south-shed")
        b.remake()
    drill.redrawn()


@way(29, "old-backup-restored", {("rolled back", 270, 299)}, "memory")
def old_backup(drill):
    shutil.rmtree(drill.data)
    shutil.copytree(drill.folder / "old", drill.data)


@way(30, "old-backup-restored-and-gone-on-with", {("forked", 270, 299)}, "memory")
def old_backup_gone_on_with(drill):
    old_backup(drill)
    with drill.opened() as (store, book):
        from service_api.app import create_app

        admin = client_with(create_app(store), token_of(store, book, "admin"))
        more = [make.scanned(site="elsewhere") for _ in range(400, 440)]
        for n, each in enumerate(more):
            each["id"] = make.entry_id(50_000 + n)
        assert 200 == admin.post("/v1/entries", json=more).status_code


def test_there_are_thirty_ways():
    assert [f"{n:02}" for n in range(1, 31)] == [param.id[:2] for param in WAYS]


def test_b29_control_an_untouched_book_raises_no_alarm(drill):
    assert set() == drill.audited()
    found = verified(drill)
    assert (0, set(), EVERY_WAY) == (found.status, found.faults, found.memory)
    found = verified(drill, "certificate.json", "checkpoint.txt")
    assert (0, set(), EVERY_WAY) == (found.status, found.faults, found.memory)  # for the last ten entries


@pytest.mark.parametrize(("alter", "auditor", "inside"), WAYS)
def test_b29_it_is_found_and_located(drill, alter, auditor, inside):
    alter(drill)
    assert auditor <= drill.audited()
    found = verified(drill)
    if inside == "memory":
        assert (0, set(), EVERY_WAY) == (found.status, found.faults, found.memory)
    else:
        assert (1, inside) == (found.status, found.faults & inside)


@pytest.mark.parametrize("paper", ["certificate.json", "checkpoint.txt"])
@pytest.mark.parametrize(
    ("alter", "found"),
    [
        (cut_tail, {("rolled back", 280, PAPER - 1)}),
        (fork, {("forked", 0, PAPER - 1)}),
        (old_backup, {("rolled back", OLD, PAPER - 1)}),
        (old_backup_gone_on_with, {("forked", 0, PAPER - 1)}),
    ],
)
def test_b29_what_leaves_no_trace_is_found_with_a_paper_that_somebody_kept(drill, alter, found, paper):
    alter(drill)
    assert (1, found) == (lambda v: (v.status, v.faults))(verified(drill, paper))


# What no auditor sees from outside


def test_b29_a_row_that_is_computed_and_was_altered_is_stale(drill):
    with drill.beneath() as b:
        b.run("UPDATE unit_state SET serial = 'another' WHERE unit = 'U-1'")
        b.run("DELETE FROM entry_topic WHERE topic = 'unit:U-1' AND log_index = 101")
    assert {("stale", None, None)} == verified(drill).faults


def test_the_seal_taken_off_is_told(drill):
    with drill.opened() as (store, _), store.writing.begin() as connection:
        connection.exec_driver_sql("DROP TRIGGER entry_no_update")
    assert {("unsealed", None, None)} == verified(drill).faults


@pytest.mark.parametrize("change", ["digest = zeroblob(32)", "log_index = 11"])
def test_what_was_sent_under_an_id_altered_is_told(drill, change):
    with drill.beneath() as b:
        b.run(f"UPDATE entry_id SET {change} WHERE log_index = 10")
    assert 10 in {first for _, first, _ in verified(drill).faults}


@pytest.mark.parametrize("content", [b'{"another": 1}', None])
def test_b29_an_attachment_swapped_or_removed_is_told(drill, content):
    with drill.opened() as (store, book):
        from service_api.app import create_app

        admin = client_with(create_app(store), token_of(store, book, "admin"))
        digest = "44136fa355b3678a1146ad16f7e8649e94fb4fc21fe77e8310c060f61caaff8a"  # of {}
        assert 201 == admin.put(f"/v1/attachments/{digest}", data=b"{}", content_type="application/json").status_code
    file = drill.data / "attachments" / "1" / digest
    file.unlink()
    if content is not None:
        file.write_bytes(content)
    assert {("edited" if content else "missing", None, None)} == verified(drill).faults


@pytest.mark.parametrize(
    "words",
    [
        "x'7b'",
        "x''",
        "'words'",
        "x'" + b'{"discrepancies":[7],"warnings":[]}'.hex() + "'",
        "x'" + b'{ "discrepancies":[],"warnings":[]}'.hex() + "'",
    ],
)
def test_what_a_receipt_said_that_lost_its_form_is_told_and_never_answered(drill, words):
    sent = make.reading("0.10", characteristic="NO-SUCH")
    sent["id"] = make.entry_id(60_000)

    def post():
        from service_api.app import create_app

        with drill.opened() as (store, book):
            return client_with(create_app(store), token_of(store, book, "admin")).post("/v1/entries", json=sent)

    first = post()
    assert ["unknown-characteristic"] == [d["code"] for d in first.json["discrepancies"]]
    assert set() == verified(drill).faults
    with drill.beneath() as b:
        b.run(f"UPDATE receipt SET said = {words} WHERE log_index = {SIZE}")
    assert {("damaged", SIZE, SIZE)} == verified(drill).faults
    again = post()
    assert (first.json["id"], first.json["leaf"]) == (again.json["id"], again.json["leaf"])


def test_b29_an_old_checkpoint_served_again_is_rolled_back(drill):
    """Nothing in the store is altered: what is replayed is the answer."""
    note = (drill.folder / "old-checkpoint").read_bytes()
    assert ("rolled back", OLD, SIZE - 1) in drill.audited({"log/checkpoint": note})


def test_a_fork_once_seen_is_told_by_every_later_check(drill):
    fork(drill)
    for _ in range(2):
        assert ("forked", 210, 210) in drill.audited()


def test_every_key_swapped_is_badly_signed(drill):
    with drill.opened() as (store, book):
        store.keys(book).public.unlink()
        store.keys(book).secret.unlink()
        store.keys(book).make("2026-02-01T00:00:00.000Z")
    assert {("badly signed", None, None)} == drill.audited()
    answer = CliRunner().invoke(
        cli.main, ["--data", str(drill.data), "verify", "--against", str(drill.paper("checkpoint.txt"))]
    )
    assert (1, True) == (answer.exit_code, "badly signed: checkpoint.txt" in answer.stderr)


@pytest.mark.parametrize("quick", [True, False])
@pytest.mark.parametrize(
    ("change", "found"),
    [
        ("UPDATE entry SET hashed = CAST(hashed AS TEXT) WHERE log_index = 100", ("damaged", 100, 100)),
        ("UPDATE entry SET hashed = CAST(x'ff00' AS TEXT) WHERE log_index = 100", ("damaged", 100, 100)),
        ("UPDATE entry SET hashed = 7 WHERE log_index = 100", ("missing", 100, 100)),
        ("UPDATE receipt SET leaf = hex(leaf) WHERE log_index = 100", ("damaged", 100, 100)),
        ("UPDATE receipt SET leaf = CAST(leaf AS TEXT) WHERE log_index = 100", ("damaged", 100, 100)),
        ("UPDATE receipt SET leaf = zeroblob(31) WHERE log_index = 100", ("damaged", 100, 100)),
        ("UPDATE receipt SET leaf = x'' WHERE log_index = 100", ("damaged", 100, 100)),
        ("UPDATE entry SET hashed = x'' WHERE log_index = 100", ("edited", 100, 100)),
        ("UPDATE log_head SET root = 'words', edge = 7", ("edited", None, None)),
        ("UPDATE log_head SET size = 'many', recorded_at = x'ff'", ("inserted", 0, 299)),
    ],
)
def test_what_no_service_writes_is_told_and_never_ends_in_a_trace(drill, change, found, quick):
    """A store of SQLite takes a value of any type in any column."""
    with drill.beneath() as b:
        b.run(change)
    answer = verified(drill, quick=quick)
    assert (1, found) == (answer.status, found if found in answer.faults else answer.faults)


@pytest.mark.parametrize("quick", [True, False])
@pytest.mark.parametrize("moved", [1, 31, 32, -1, -32])
def test_what_is_moved_from_one_leaf_to_the_next_is_told_of_both(drill, moved, quick):
    """One behind the other they are the same bytes as before."""
    with drill.beneath() as b:
        rows = b.run("SELECT leaf FROM receipt WHERE log_index IN (100, 101) ORDER BY log_index").fetchall()
        both = rows[0][0] + rows[1][0]
        for index, part in ((100, both[: 32 - moved]), (101, both[32 - moved :])):
            b.run("UPDATE receipt SET leaf = ? WHERE log_index = ?", (part, index))
    assert {("damaged", 100, 100), ("damaged", 101, 101)} == verified(drill, quick=quick).faults


@pytest.mark.parametrize("quick", [True, False])
def test_a_leaf_kept_as_words_of_the_same_bytes_and_length_is_told(drill, quick):
    with drill.beneath() as b:
        as_long = "SELECT min(log_index) FROM receipt WHERE length(CAST(leaf AS TEXT)) = 32"
        ((index,),) = b.run(as_long).fetchall()
        b.run("UPDATE receipt SET leaf = CAST(leaf AS TEXT) WHERE log_index = ?", (index,))
    assert {("damaged", index, index), ("missing", index, index)} == verified(drill, quick=quick).faults


@pytest.mark.parametrize("quick", [True, False])
def test_leaves_that_changed_places_are_told(drill, quick):
    with drill.beneath() as b:
        for source, target in ((100, -1), (101, 100), (-1, 101)):
            b.run("UPDATE receipt SET log_index = ? WHERE log_index = ?", (target, source))
    assert {("damaged", 100, 100), ("damaged", 101, 101)} == verified(drill, quick=quick).faults


def test_a_text_that_is_no_text_is_told_and_never_ends_in_a_trace(drill):
    """Its leaf and the head are made anew, so that only what it says gives it away."""
    with drill.beneath() as b:
        b.put(100, b.text(100).replace(b'"unit:U-', b'"unit:\xff'))
        b.leaf(100)
    assert {("edited", None, None), ("missing", 100, 100), ("missing", 102, 102)} == verified(drill, quick=True).faults


@pytest.mark.parametrize("table", ["entry", "receipt"])
def test_a_row_that_stands_between_two_indexes_is_missing_where_it_belongs(drill, table):
    with drill.beneath() as b:
        b.run(f"UPDATE {table} SET log_index = 100.5 WHERE log_index = 100")
    assert ("missing", 100, 100) in verified(drill).faults
