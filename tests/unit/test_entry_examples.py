"""Every entry type has an example, and the example goes through everything that an entry goes through."""

import json
from html import unescape
from pathlib import Path

import pytest

from service_api.domain import changes
from service_api.domain.entries.registry import TYPES
from service_api.domain.entry import Envelope
from service_api.domain.fold import step
from service_api.domain.fold.handlers import HANDLERS
from service_api.domain.plain import hints_of, plain, wire_name
from service_api.domain.state import begin
from service_api.domain.timeline import effective_history
from service_api.wire.entries import read_draft
from tests.histories import heard

FOLDER = Path(__file__).parent.parent / "vectors" / "entries"
EXAMPLES = {file.stem: json.loads(file.read_text("utf-8")) for file in sorted(FOLDER.glob("*.json"))}

# The member of the unit's state that each type moves, and what moves it. None: the page only grows by one entry,
# because the type stands elsewhere, corrects another, or is joined when a question is answered.
MOVES = {
    "unit.registered": "identity",
    "unit.merged": "merged",
    "tag.attached": "tags",
    "tag.scanned": None,  # seen; a doubt only after scrap
    "tag.detached": "tags",
    "unit.received": "place",
    "unit.dispatched": "out",
    "unit.moved": "place",
    "unit.sold": "sold",
    "unit.retired": "retired",
    "meter.read": "meters",
    "meter.replaced": "meters",
    "meter.rolled": "meters",
    "complaint.reported": "complaints",
    "complaint.worked": None,
    "complaint.closed": "complaints",
    "job.opened": "jobs",
    "job.closed": "jobs",
    "energy.isolated": None,
    "energy.restored": None,
    "caution.shown": None,
    "check.answered": "jobs",
    "reading.taken": "measured",
    "finding.raised": "findings",
    "finding.closed": "findings",
    "work.done": "released",
    "setting.left": "released",
    "run.recorded": "runs",
    "part.fitted": "slots",
    "part.removed": "slots",
    "lot.received": None,
    "lot.moved": None,
    "part.sold": None,
    "unit.released": "released",
    "concession.granted": "concessions",
    "concession.ended": "concessions",
    "hold.placed": "holds",
    "hold.lifted": "holds",
    "exam.recorded": "exams",
    "rebuild.completed": "released",
    "service.planned": "plans",
    "gauge.calibrated": None,  # read when a reading is judged
    "gauge.checked": None,
    "gauge.mishandled": None,
    "authorisation.granted": None,
    "authorisation.ended": None,
    "sheet.issued": None,
    "codes.issued": None,
    "terms.issued": None,
    "alert.issued": None,
    "alert.answered": None,
    "alert.closed": None,
    "claim.opened": None,
    "claim.decided": None,
    "goodwill.granted": None,
    "supplier.notified": None,
    "supplier.returned": None,
    "supplier.settled": None,
    "entry.superseded": None,
    "entry.withdrawn": None,
    "entry.reattributed": None,
    "entry.annotated": None,
    "entry.disputed": None,
    "dispute.settled": None,
    "verdict.reassessed": None,
    "release.reissued": None,
}
# What stands on the page before, so that an ending has something to end.
BEFORE = {
    "tag.detached": {"type": "tag.attached", "data": {"tag": "OWN-77", "evidence": ["seen"]}},
    "complaint.closed": {"type": "complaint.reported"},
    "job.closed": {"type": "job.opened"},
    "check.answered": {"type": "job.opened"},
    "finding.closed": {"type": "finding.raised"},
    "work.done": {"type": "unit.released"},
    "setting.left": {"type": "unit.released"},
    "rebuild.completed": {"type": "unit.released"},
    "part.removed": {"type": "part.fitted"},
    "concession.ended": {"type": "concession.granted"},
    "hold.lifted": {"type": "hold.placed"},
}
BOOKKEEPING = {"unit", "entries", "index", "head_at", "head_seq", "head_index", "raised", "remarks"}
BOOKKEEPING |= {"recent", "seen", "touches"}


def test_every_type_has_an_example_of_its_own_name():
    assert TYPES.keys() == EXAMPLES.keys()
    assert list(EXAMPLES) == [e["type"] for e in EXAMPLES.values()]


def test_the_table_of_what_moves_names_every_type_once():
    assert list(TYPES) == list(MOVES)


@pytest.mark.parametrize("name", TYPES)
def test_an_example_shows_every_member_of_its_type_that_a_client_sends(name):
    sent = hints_of(TYPES[name].body).keys() - set(TYPES[name].added)
    assert {wire_name(member) for member in sent} == EXAMPLES[name]["data"].keys()


def test_together_the_examples_show_every_member_of_an_entry():
    shown = {member for example in EXAMPLES.values() for member in example}
    assert {wire_name(member) for member in hints_of(Envelope)} == shown


@pytest.mark.parametrize("name", TYPES)
def test_an_example_is_well_formed_and_comes_back_as_it_was(name):
    """Digits, order of lists and members left out included: what is kept is what was sent."""
    draft = read_draft(EXAMPLES[name], computed=TYPES[name].computed)
    assert TYPES[name].body is type(draft.entry.body)
    assert EXAMPLES[name]["data"] == plain(draft.entry.body)
    assert EXAMPLES[name] == plain(draft.entry)


@pytest.mark.parametrize("name", MOVES)
def test_an_example_moves_the_member_of_the_state_that_the_table_names(name):
    """A type that `step` forgets, or one that moves more than is said here, shows."""
    example = EXAMPLES[name] | {"subject": "unit:M-1"}
    before = [_before(BEFORE[name])] if name in BEFORE else []
    items = effective_history(heard(*before, example), "unit:M-1")
    state = begin("M-1")
    for item in items[: len(before)]:
        state = step(state, item)
    after = step(state, items[-1])
    assert state.entries + 1 == after.entries
    moved = {m for m in state.__dataclass_fields__ if getattr(state, m) != getattr(after, m)} - BOOKKEEPING
    if MOVES[name] is None:
        assert set() == moved
    else:
        assert MOVES[name] in moved
        assert name in HANDLERS


def _before(said):
    example = EXAMPLES[said["type"]] | {"id": "018df8a0-0000-7000-8000-00000000ffff", "subject": "unit:M-1"}
    return example | {"occurred_at": "2024-03-01T08:00:00+01:00"} | said


def test_the_documentation_names_every_type(app):
    page = unescape(app.test_client().get("/docs").text)
    assert [] == [name for name in TYPES if name not in page]


def test_what_moves_a_unit_is_told_to_those_who_pull():
    """A type with a handler that `changes.MOVES` forgets would change a condition unheard."""
    assert set() == set(HANDLERS) - set(changes.MOVES)
    assert set() == (set(changes.MOVES) | set(changes.LEANS)) - set(TYPES), "every row is a type that there is"
