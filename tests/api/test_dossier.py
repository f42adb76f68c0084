"""The dossier on paper and as CSV, read back by others' readers and held against a life that was thought up by hand.

Nothing of the service is imported here: what is asked goes over its calls, what is expected stands in
tests/vectors/dossier/life.json.
"""

import csv
import io
import json
import re
from base64 import b64decode
from hashlib import sha256
from pathlib import Path

import pytest
from sqlalchemy import text

from tests import reading_papers as papers

LIFE = json.loads((Path(__file__).parent.parent / "vectors" / "dossier" / "life.json").read_text("utf-8"))
EXPECTED = LIFE["expected"]
PDF, CSV = "/v1/units/LAT-7/dossier.pdf", "/v1/units/LAT-7/dossier.csv"


@pytest.fixture
def life(tell, signing_key):
    """The lathe's life as recorded; an entry's index is its place in the list."""
    return tell(*LIFE["entries"])


@pytest.fixture
def dossier(client, life):
    answer = client.get(PDF)
    assert (200, "application/pdf") == (answer.status_code, answer.mimetype)
    return answer.data


def table(answer):
    assert 200 == answer.status_code, answer.text
    return list(csv.DictReader(io.StringIO(answer.data.decode(), newline="")))


def chapter(said, title, until):
    """The text between two headings."""
    return said[said.index(title) : said.index(until, said.index(title))]


HISTORY, MEASUREMENTS = "History, every entry in the order of its moment", "Measurements"
PARTS, RUNS = "Parts, slot by slot", "Runs on the stand, failed ones too"
CORRECTIONS, CERTIFICATES = "Corrections, disputes and notes", "Certificates"


def test_q24_the_whole_history_in_order_with_struck_withdrawn_and_moved_entries(client, life):
    """Question 24, from one call: who, when, gauge, revision; nothing left out."""
    rows = table(client.get(CSV))
    told = [{"index": int(r["index"]), "mark": r["mark"] or None} for r in rows]
    assert EXPECTED["history"] == told
    assert [r["id"] for r in rows] == [LIFE["entries"][r["index"]]["id"] for r in EXPECTED["history"]]
    read = next(r for r in rows if r["index"] == "7")
    assert ("ada.bench", "2026-01-02T10:00:00+01:00", "1", "J-7") == (
        read["by"], read["occurred_at"], read["sheet_rev"], read["job"],
    )  # fmt: skip
    assert "0.20" in read["data"] and "0.22" in read["data_now"] and LIFE["entries"][23]["id"] == read["marked_by"]


def test_q24_the_dossier_tells_the_same_in_the_same_order(dossier):
    said = chapter(papers.text(dossier), HISTORY, MEASUREMENTS)
    leaves = re.findall(r"\b[0-9a-f]{64}\b", said)
    assert len(EXPECTED["history"]) == len(leaves)
    assert "replaced by #23" in said and "now: LAT-BL as found: 0.18 at 25, 0.22 at 50" in said
    assert "withdrawn by #24" in said and "moved to another page by #25" in said and "moved here by #26" in said
    assert "second lou.lead" in said and "history bench ledger 7" in said and "sheet revision 1" in said


def test_the_readings_stand_with_the_verdict_of_their_day(dossier):
    said = chapter(papers.text(dossier), MEASUREMENTS, PARTS)
    for row in EXPECTED["readings"]:
        line = said[said.index(f"#{row['index']} ") :]
        assert re.search(rf" {re.escape(row['counts_as'])} 0\.31 {row['verdict'].replace('_', ' ')} ", line[:200]), line


def test_runs_that_failed_stay_beside_those_that_passed(dossier):
    said = chapter(papers.text(dossier), RUNS, CORRECTIONS)
    for run in EXPECTED["runs"]:
        assert f"Run {run['run']}: {run['outcome']}" in said
    assert "66.5 r/min" in said and "56 to 66 r/min" in said and "knocks once a turn" in said


def test_every_part_stands_with_its_serial_from_when_to_when(dossier):
    said = chapter(papers.text(dossier), PARTS, RUNS)
    (slot,) = EXPECTED["slots"]
    assert said.index("serial N-1") < said.index("serial N-2")
    assert slot["out"][0] in said and "in now" in said and "scrap" in said
    assert "Where the pieces with a serial were" in said


def test_identity_and_labels_over_time(dossier):
    said = chapter(papers.text(dossier), "Identity, tags and places over time", HISTORY)
    assert "OWN-7 2026-01-02 07:10 UTC 2026-01-03 15:30 UTC damaged" in said
    assert "OWN-8 2026-01-03 15:31 UTC now" in said
    assert "88-Ω" in papers.text(dossier)


def test_corrections_and_certificates_have_chapters_of_their_own(dossier):
    said = papers.text(dossier)
    corrections = chapter(said, CORRECTIONS, CERTIFICATES)
    assert ["#7", "#15", "#16", "#17", "#13"] == re.findall(r" (#\d+)", corrections)
    assert "instead: LAT-BL as found: 0.18 at 25, 0.22 at 50, 0.19 at 75, in turn" in corrections
    assert "a slip of the pencil" in corrections and "the knock was the stand's own belt" in corrections
    assert "REL-7" in chapter(said, CERTIFICATES, "The checkpoint")


def test_other_alphabets_are_set_and_a_letter_without_a_shape_is_named(dossier):
    said = papers.text(dossier)
    assert "Γρανάζι φθαρμένο; зубья стёрты; závit opotřebený (≤ 2 mm → [U+4E2D])" in said


def test_every_page_names_unit_book_and_its_number(dossier):
    found = papers.pages(dossier)
    assert len(found) > 3
    for number, page in enumerate(found, 1):
        joined = " ".join(page.split())
        assert "Unit dossier LAT-7" in joined and "test.example/depot" in joined
        assert f"Page {number} of {len(found)}" in joined
    assert {(210.0, 297.0)} == papers.sizes(dossier)
    assert {True} == papers.fonts(dossier)


def test_headings_of_a_table_come_again_on_the_next_page(dossier):
    heads = "# When What Who With"
    on = [n for n, page in enumerate(papers.pages(dossier)) if heads in " ".join(page.split())]
    assert len(on) > 1 and on == list(range(on[0], on[-1] + 1))


def test_q25_the_square_and_the_text_are_the_checkpoint_that_the_book_gives(client, dossier):
    """Question 25, from the dossier: its checkpoint is what any copy of the book is held against."""
    note = client.get("/v1/log/checkpoint").text
    (scanned,) = papers.squares(dossier)
    assert note == scanned
    assert [note] == papers.squares(dossier, page=len(papers.pages(dossier)) - 1)
    root = b64decode(note.split("\n")[2]).hex()
    assert " ".join(root[n : n + 8] for n in range(0, 64, 8)) in papers.text(dossier)


def test_q25_every_leaf_is_that_of_the_text_in_the_bundle(client, life):
    """Question 25, from two calls that anybody can hold together: the leaf is SHA-256 of a zero byte and the text."""
    texts = {e["index"]: e["hashed"] for e in client.get("/v1/units/LAT-7/bundle").json["entries"]}
    for row in table(client.get(CSV)):
        assert sha256(b"\0" + texts[int(row["index"])].encode()).hexdigest() == row["leaf"]


def test_q25_one_byte_altered_beneath_the_book_is_said_with_its_place(client, store, life, altered_beneath):
    altered_beneath(8, b'"0.32"', b'"0.31"')
    said = papers.text(client.get(PDF).data)
    assert "ALTERED BENEATH THE BOOK: the text of #8 is not what was recorded" in said
    assert "NOT AS RECORDED: #8." in said


@pytest.fixture
def altered_beneath(store):
    """Changes bytes of a stored text past the service, its triggers dropped."""

    def alter(index, old, new):
        with store.writing.begin() as connection:
            if connection.dialect.name == "sqlite":
                named = "SELECT name FROM sqlite_master WHERE type = 'trigger' AND tbl_name = 'entry'"
                for (name,) in connection.exec_driver_sql(named).all():
                    connection.exec_driver_sql(f"DROP TRIGGER {name}")
            else:
                connection.exec_driver_sql("ALTER TABLE entry DISABLE TRIGGER ALL")
            where = {"index": index}
            ((kept,),) = connection.execute(text("SELECT hashed FROM entry WHERE log_index = :index"), where).all()
            assert old in bytes(kept)
            change = text("UPDATE entry SET hashed = :new WHERE log_index = :index")
            connection.execute(change, where | {"new": bytes(kept).replace(old, new)})

    return alter


def test_the_same_known_index_gives_the_same_bytes_whatever_came_later(client, life, tell, clock):
    size = len(life)
    then = client.get(PDF, query_string={"known_index": size})
    clock.advance(days=200)
    later = {"id": "01940000-0000-7000-8000-000000000099", "type": "entry.annotated", "v": 1, "subject": "unit:LAT-7"}
    later |= {"occurred_at": "2026-07-20T08:00:00+01:00", "by": "ada.bench"}
    tell(later | {"data": {"target": LIFE["entries"][13]["id"], "note": "seen again"}})
    again = client.get(PDF, query_string={"known_index": size})
    assert (then.data, then.headers["ETag"]) == (again.data, again.headers["ETag"])
    assert then.data != client.get(PDF).data
    known = client.get(PDF, headers={"If-None-Match": again.headers["ETag"]}, query_string={"known_index": size})
    assert (304, b"") == (known.status_code, known.data)
    tables = [client.get(CSV, query_string={"known_index": size}).data for _ in range(2)]
    assert tables[0] == tables[1]


def test_a_book_without_a_key_gives_its_checkpoint_bare_and_says_so(client, store, book, tell):
    store.proofs(book.number).makes_key = False
    tell(*LIFE["entries"])
    paper = client.get(PDF).data
    assert "no signing key yet, so this checkpoint stands unsigned" in papers.text(paper)
    (square,) = papers.squares(paper)
    assert ["test.example/depot", "28"] == square.split("\n")[:2] and 4 == len(square.split("\n"))


def test_an_entry_of_forty_thousand_letters_goes_on_over_pages_and_loses_none(client, life, tell):
    said_by = {f"part {n}": " ".join(f"n{n * 600 + k}" for k in range(600)) for n in range(12)}
    complaint = {"id": "01940000-0000-7000-8000-000000000095", "type": "complaint.reported", "v": 1}
    complaint |= {"subject": "unit:LAT-7", "occurred_at": "2026-01-05T09:00:00+01:00", "by": "ada.bench"}
    tell(complaint | {"data": {"complaint": "C-1", "words": "Ω" * 2000, "mode": "MD-FDE", "conditions": said_by}})
    said = "".join("".join(page.split()) for page in papers.pages(client.get(PDF).data))
    assert [] == [n for n in range(7200) if f"n{n}" not in said]
    assert 2000 <= said.count("Ω")


def test_a_long_history_is_told_whole_page_by_page(client, life, tell):
    """600 more lines: every index once in the history, pages numbered to the last, the same bytes again."""
    work = {"type": "work.done", "v": 1, "subject": "unit:LAT-7", "by": "ada.bench"}
    for start in range(0, 600, 200):
        tell(
            *(
                work
                | {"id": f"01940000-0000-7000-9000-{n:012d}", "occurred_at": "2026-01-05T09:00:00+01:00"}
                | {"data": {"activity": "AC-CLN", "detail": f"round {n}"}}
                for n in range(start, start + 200)
            )
        )
    paper = client.get(PDF).data
    found = papers.pages(paper)
    said = chapter(papers.text(paper), HISTORY, MEASUREMENTS)
    assert 600 + len(EXPECTED["history"]) == len(re.findall(r"\b[0-9a-f]{64}\b", said))
    assert [n for n in range(600) if f"round {n} " not in said] == []
    assert f"Page {len(found)} of {len(found)}" in " ".join(found[-1].split()) and len(found) > 20
    assert paper == client.get(PDF).data


def test_known_then_the_correction_had_not_been_made(client, life):
    said = papers.text(client.get(PDF, query_string={"known_index": 23}).data)
    assert "replaced by" not in chapter(said, HISTORY, MEASUREMENTS)
    assert "Nothing was corrected." in said
    read = chapter(said, MEASUREMENTS, PARTS)
    assert " 0.20 0.31 " in read and " 0.22 0.31 " not in read  # as the pencil had it


def test_a_customer_s_dossier_is_blanked_like_their_history(client, client_of, life):
    customer = client_of("customer", party="party-a")
    said = papers.text(customer.get(PDF).data)
    assert "party-b" not in said and "other party" in said
    assert "party-b" in papers.text(client.get(PDF).data)
    rows = table(customer.get(CSV))
    assert [e["id"] for e in customer.get("/v1/units/LAT-7/history").json["entries"]] == [r["id"] for r in rows]
    assert 404 == client_of("customer", party="party-b").get(PDF).status_code


def test_a_part_that_came_out_after_a_customer_s_time_is_in_for_them(client, client_of, life, tell):
    back = {"type": "unit.received", "v": 1, "subject": "unit:LAT-7", "by": "sam.stores"}
    out = back | {"type": "part.removed", "by": "ada.bench", "id": "01940000-0000-7000-8000-000000000098"}
    tell(
        {"type": "unit.sold", "v": 1, "subject": "unit:LAT-7", "by": "sam.stores"}
        | {"id": "01940000-0000-7000-8000-000000000096", "occurred_at": "2026-01-05T09:00:00+01:00"}
        | {"data": {"to": "party-s"}},
        back
        | {"id": "01940000-0000-7000-8000-000000000097", "occurred_at": "2026-01-05T09:10:00+01:00"}
        | {"data": {"site": "north-shed", "reason": "sold"}},
        out | {"occurred_at": "2026-01-05T09:20:00+01:00", "data": {"slot": "feed-nut", "to": "scrap"}},
    )
    theirs = papers.text(client_of("customer", party="party-a").get(PDF).data)
    assert "in now" in chapter(theirs, PARTS, RUNS)
    assert "in now" not in chapter(papers.text(client.get(PDF).data), PARTS, RUNS)


def test_the_table_is_rfc_4180_in_utf_8_with_one_set_of_columns(client, life):
    answer = client.get(CSV)
    assert "text/csv; charset=utf-8; header=present" == answer.headers["Content-Type"]
    said = answer.data.decode()
    assert said.startswith("index,seq,id,type,subject,occurred_at,") and said.endswith("\r\n")
    assert "Γρανάζι" in said
    assert {34} == {len(row) for row in csv.reader(io.StringIO(said, newline=""))}


def test_the_columns_are_listed_in_the_documentation(client, life):
    header = client.get(CSV).data.decode().partition("\r\n")[0].split(",")
    chapter_ = chapter(client.get("/docs").text, '<h2 id="columns">', '<h2 id="problems">')
    assert header == re.findall(r"<tr><td><code>(\w+)</code></td>", chapter_)


def test_no_cell_begins_like_a_formula(client, life):
    rows = table(client.get(CSV))
    assert not [c for r in rows for c in r.values() if c[:1] in ("=", "+", "-", "@", "\t", "\r")]
    struck = next(r for r in rows if r["index"] == "15")
    assert "=HYPERLINK" in json.loads(struck["data"])["detail"], "what was written is all there"


def test_accept_and_suffix_ask_for_the_same(client, life):
    both = {"application/pdf": PDF, "text/csv": CSV}
    for media, path in both.items():
        by_accept = client.get("/v1/units/LAT-7/dossier", headers={"Accept": media})
        assert client.get(path).data == by_accept.data
    assert "application/pdf" == client.get("/v1/units/LAT-7/dossier").mimetype


def test_this_file_and_its_readers_import_nothing_of_the_service():
    """The issue: what reads the dossier is independent of what draws it."""
    tests = Path(__file__).parent.parent
    for name in ("api/test_dossier.py", "api/test_history_filters.py", "reading_papers.py"):
        lines = (tests / name).read_text("utf-8").splitlines()
        assert [] == [line for line in lines if re.match(r"\s*(from|import) service_api", line)], name
