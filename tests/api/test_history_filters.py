"""The history narrowed: which lines of the life in tests/vectors/dossier/life.json each question leaves, told by hand.

Nothing of the service is imported here.
"""

import csv
import io
import json
from pathlib import Path

import pytest

LIFE = json.loads((Path(__file__).parent.parent / "vectors" / "dossier" / "life.json").read_text("utf-8"))
LINE = "/v1/units/LAT-7/history"


@pytest.fixture
def life(tell):
    return tell(*LIFE["entries"])


@pytest.mark.parametrize(
    ("query", "indexes"),
    [
        ({"types": "part.*"}, [6, 10, 11]),
        ({"types": "part.removed,run.recorded"}, [10, 13, 14, 27]),  # the note is on the failed run
        ({"types": "reading.taken"}, [7, 8, 12, 23]),  # with the correction of the first
        ({"types": "entry.*"}, [23, 24, 25, 26, 27]),
        ({"from": "2026-01-04"}, [22, 23, 24, 25, 26, 27]),
        ({"until": "2026-01-02"}, [1, 3, 4, 5, 6, 7, 23]),  # the correction was made later, and is of that day
        ({"from": "2026-01-03", "until": "2026-01-03", "types": "finding.*"}, [9, 18]),
        ({"slot": "feed-nut"}, [6, 7, 8, 9, 10, 11, 12, 23]),  # readings of what wears with it too
        ({"job": "J-7", "types": "check.*,job.*,unit.*"}, [5, 19]),
        ({"by": "sta.stand"}, [13, 14, 27]),
        ({"by": "mo.manager"}, [23, 24, 25, 26]),
        ({"characteristic": "LAT-BL", "from": "2026-01-03"}, [8, 12]),
        ({"gauge": "G-1"}, []),
        ({"mark": "withdrawn"}, [15, 24]),
        ({"mark": "moved_out"}, [16, 25]),
        ({"mark": "moved_in"}, [17, 26]),
        ({"mark": "superseded"}, [7, 23]),
        ({"mark": "none", "types": "work.done"}, []),
    ],
)
def test_a_question_leaves_these_lines_with_their_corrections(ask, client, life, query, indexes):
    found = ask(LINE, **query)
    assert (indexes, len(indexes)) == ([e["index"] for e in found["entries"]], found["count"])
    rows = client.get(LINE, query_string=query, headers={"Accept": "text/csv"}).data.decode()
    assert [str(n) for n in indexes] == [r["index"] for r in csv.DictReader(io.StringIO(rows, newline=""))]


def test_pages_of_a_narrowed_history_keep_what_was_asked(ask, client, life):
    first = client.get(LINE, query_string={"types": "reading.taken", "limit": 3, "order": "newest"})
    assert [23, 12, 8] == [e["index"] for e in first.json["entries"]]
    assert 4 == first.json["count"]
    link = first.headers["Link"].partition(">")[0][1:]
    assert [7] == [e["index"] for e in client.get(link).json["entries"]]


def test_a_moment_and_a_knowledge_narrow_it_as_well(ask, life):
    assert [7, 8] == [e["index"] for e in ask(LINE, types="reading.taken", known_index=12)["entries"]]
    found = ask(LINE, types="reading.taken", true_at="2026-01-03T10:30:00+01:00")
    assert [7, 8] == [e["index"] for e in found["entries"]]


@pytest.mark.parametrize(
    ("query", "pointer"),
    [
        ({"types": "part.mended"}, "?types"),
        ({"types": "parts.*"}, "?types"),
        ({"from": "2026-1-3"}, "?from"),
        ({"from": "2026-01-04", "until": "2026-01-03"}, "?until"),
        ({"mark": "struck"}, "?mark"),
        ({"colour": "red"}, "?colour"),
    ],
)
def test_a_question_that_means_nothing_is_refused(client, life, query, pointer):
    answer = client.get(LINE, query_string=query)
    assert (422, [pointer]) == (answer.status_code, [e["pointer"] for e in answer.json["errors"]])


def test_a_dossier_is_whole(client, life):
    paper = {"Accept": "application/pdf"}
    assert "application/pdf" == client.get(LINE, headers=paper).mimetype
    assert 422 == client.get(LINE, headers=paper, query_string={"types": "part.*"}).status_code


def test_a_customer_s_narrowed_history_counts_what_is_withheld_of_it(client_of, life):
    customer = client_of("customer", party="party-a").get(LINE, query_string={"types": "unit.*"})
    assert [1, 4, 19, 22] == [e["index"] for e in customer.json["entries"]]
    assert "party-b" not in customer.text


def test_a_browser_and_a_program_without_accept_get_json(client, life):
    for accept in ("text/html,application/xhtml+xml,*/*;q=0.8", "*/*", None):
        headers = {} if accept is None else {"Accept": accept}
        assert "application/json" == client.get(LINE, headers=headers).mimetype
