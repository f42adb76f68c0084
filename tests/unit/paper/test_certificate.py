"""A certificate on paper, drawn from a JSON that was thought up by hand and read back by other libraries."""

import json
from copy import deepcopy
from pathlib import Path

import pytest

from service_api.paper.certificate import draw
from tests import reading_papers as papers

VECTORS = Path(__file__).parent.parent.parent / "vectors" / "dossier"
GIVEN = json.loads((VECTORS / "certificate.json").read_text("utf-8"))
CERTIFICATE, ORIGIN = GIVEN["certificate"], GIVEN["origin"]


@pytest.fixture(scope="module")
def paper():
    return draw(CERTIFICATE, ORIGIN)


def test_everything_that_was_frozen_stands_on_it(paper):
    said = papers.text(paper)
    for words in (
        "REL-2026-7", "Release with concession", "LAT-7", "class LAT, serial 88-Ω", "2026-01-03 16:00 +01:00",
        "sig.signatory authorised that day: release", "lou.lead authorised that day: nothing is on record", "J-7",
        "2026-01-04 to 2026-03-31", "revision 1", "150.0 h (read)", "0.04 turn 0.33 0.31 0.02 good",
        "0.39 mm 0.40 0.38 0.02 not proved", "no gauge is named", "guards in place ok",
        "labels readable not reachable painted over", "relief 6.3 bar wire 12", "RUN-1", "failed: free-speed", "RUN-2",
        "μανίκι φθαρμένο", "let go under concession C-9", "fine cuts only",
        "until 2026-02-28, until 200 h on the meter",
        "lifting-eye", "due again on 2026-12-01", "2026-07-03 or at 400 h", "41 entries",
        "9f86d081 884c7d65 9a2feaa0 c55ad015 a3bf4f1b 2b0b822c d15d6c15 b0f00a08",
    ):  # fmt: skip
        assert words in said, words


def test_it_cautions_and_defers(paper):
    said = papers.text(paper)
    assert "isolate and lock every source of energy" in said
    assert "manual, site rules and the persons licensed or appointed where you are" in said
    assert "does not authorise work" in said


def test_the_square_holds_number_and_place_in_the_book(paper):
    (scanned,) = papers.squares(paper)
    assert {"release": "REL-2026-7", "origin": ORIGIN, "book": CERTIFICATE["book"]} == json.loads(scanned)


def test_every_page_of_a4_names_number_unit_and_book_and_fonts_travel_inside(paper):
    found = papers.pages(paper)
    for number, page in enumerate(found, 1):
        joined = " ".join(page.split())
        assert "Release certificate REL-2026-7 · unit LAT-7" in joined and ORIGIN in joined
        assert f"Page {number} of {len(found)}" in joined
    assert {(210.0, 297.0)} == papers.sizes(paper)
    assert {True} == papers.fonts(paper)


def test_the_same_certificate_gives_the_same_bytes(paper):
    assert paper == draw(deepcopy(CERTIFICATE), ORIGIN)
    assert paper != draw(CERTIFICATE | {"kind": "full"}, ORIGIN)


def test_a_new_number_says_which_it_replaces(paper):
    said = papers.text(draw(CERTIFICATE, ORIGIN, "REL-2026-6", "the hire was longer"))
    assert "Replaces certificate REL-2026-6, which no longer counts: the hire was longer" in said
    assert "Replaces certificate" not in papers.text(paper)


def test_one_that_was_signed_away_from_the_book_says_so():
    assert "Signed away from the book" in papers.text(draw(CERTIFICATE | {"issued": "late"}, ORIGIN))


def test_words_of_forty_thousand_letters_go_on_over_pages_and_lose_nothing():
    words = " ".join(f"w{number}" for number in range(7000)) + " " + "x" * 3000
    findings = [CERTIFICATE["findings"][0] | {"words": words}]
    paper = draw(CERTIFICATE | {"findings": findings}, ORIGIN)
    said = "".join("".join(page.split()) for page in papers.pages(paper))
    assert all(f"w{number}" in said for number in range(7000))
    assert 3000 <= said.count("x")
    assert len(papers.pages(paper)) > 8
