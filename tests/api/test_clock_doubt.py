"""A machine clock that jumps stops writing until it is confirmed; reading goes on (CONTRACT A: 503 `clock-doubt`)."""

import json
import shutil
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from click.testing import CliRunner
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service_api import cli
from service_api.app import Store, create_app
from service_api.directory import tokens
from service_api.ops.calls import done_for
from service_api.ops.commands import listening
from tests import factories as f
from tests.conftest import NOON, FakeClock, client_with, new_book, settings_in, token_of

TEN_YEARS = timedelta(days=3652)


class Machine:
    """A store whose clock can be set while a second one counts on."""

    def __init__(self, folder, clock):
        self.clock, self.counted = clock, 5000.0
        self.store = Store(settings_in(folder), clock, counting=lambda: self.counted)

    def pass_(self, seconds):
        self.clock.advance(seconds=seconds)
        self.counted += seconds


@pytest.fixture
def folder(migrated, tmp_path):
    shutil.copytree(migrated, tmp_path / "book")
    return tmp_path / "book"


@pytest.fixture
def machine(folder):
    made = Machine(folder, FakeClock())
    yield made
    made.store.close()


@pytest.fixture
def shop(machine):
    """Sends an entry, or a batch of them; asks."""
    return shop_on(machine, new_book(machine.store, "clock.example/book"))


class Shop:
    def __init__(self, client):
        self.client = client

    def post(self, *entries, path="/v1/entries"):
        value = entries[0] if len(entries) == 1 else list(entries)
        return self.client.post(path, data=json.dumps(value), content_type="application/json")

    def size(self):
        return self.client.get("/v1/feed?from=0").json["next"]


def shop_on(machine, book):
    made = Shop(client_with(create_app(machine.store), token_of(machine.store, book, "admin")))
    assert 200 == made.post(f.sheet_issued(), f.registered()).status_code
    return made


def doubted(answer):
    assert 503 == answer.status_code, answer.text
    assert answer.json["type"].endswith("/problems/clock-doubt")
    assert 0 < int(answer.headers["Retry-After"])
    return True


def confirm(store, *before):
    with listening(store, done_for):
        return CliRunner().invoke(cli.main, ["--data", str(store.settings.data), *before, "clock", "confirm"])


@pytest.mark.parametrize("step", [TEN_YEARS, -TEN_YEARS, timedelta(minutes=6), -timedelta(minutes=6)])
def test_a_clock_that_jumps_stops_writing_until_it_is_confirmed(machine, shop, step):
    size = shop.size()
    machine.pass_(3600)
    assert 201 == shop.post(f.scanned()).status_code
    machine.clock.now += step
    raw = f.scanned(occurred_at="2015-01-05T08:00:00+01:00")  # in the past by either clock
    assert doubted(shop.post(raw))
    assert doubted(shop.post(raw, f.scanned()))
    assert doubted(shop.post({"count": 2}, path="/v1/tags"))
    assert 200 == shop.client.get("/v1/units/U-1/condition").status_code
    assert size + 1 == shop.size(), "nothing was written"
    assert "set " in shop.client.get("/readyz").json["writing"]
    told = confirm(machine.store)
    assert 0 == told.exit_code, told.output
    assert 201 == shop.post(raw).status_code, "its id was not used up"
    assert "writing" not in shop.client.get("/readyz").json


def test_a_stream_ends_with_the_problem_when_the_clock_jumps(machine, shop):
    machine.clock.now += TEN_YEARS
    answer = shop.client.post(
        "/v1/entries",
        data=json.dumps(f.scanned()) + "\n",
        content_type="application/x-ndjson",
        headers={"Accept": "application/x-ndjson"},
    )
    assert doubted(answer)


def test_sleep_and_five_minutes_are_no_jump(machine, shop):
    machine.pass_(90 * 86_400)
    machine.clock.advance(minutes=5)
    assert 201 == shop.post(f.scanned()).status_code


def test_what_stamps_nothing_with_the_clock_may_be_shut_meanwhile(machine, shop):
    """A lost token is revoked whatever the clock says; a new one would carry a wrong end."""
    made = token_of(machine.store, machine.store.books()[0], "bench")
    machine.clock.now += timedelta(hours=1)
    with listening(machine.store, done_for):
        data = ["--data", str(machine.store.settings.data)]
        refused = CliRunner().invoke(cli.main, [*data, "token", "new", "--role", "bench"])
        done = CliRunner().invoke(cli.main, [*data, "token", "revoke", made.split(".")[1]])
    assert 3 == refused.exit_code and "clock confirm" in refused.stderr
    assert 0 == done.exit_code, done.output


def started_again(machine, by):
    """The store closed and opened again, the clock set meanwhile."""
    machine.store.close()
    return Machine(machine.store.settings.data, FakeClock(machine.clock.now + by))


def test_a_start_before_the_last_entry_is_in_doubt_until_confirmed_and_stays_confirmed(machine, shop):
    """Wrongly ahead for a year, entries recorded, set right: one confirmation lasts through further starts."""
    token = shop.client.environ_base["HTTP_AUTHORIZATION"].removeprefix("Bearer ")
    machine.pass_(1)
    assert 201 == shop.post(f.scanned()).status_code
    again = started_again(machine, -timedelta(days=365))
    try:
        anew = Shop(client_with(create_app(again.store), token))
        assert doubted(anew.post(f.scanned()))
        assert 200 == anew.client.get("/v1/units/U-1/condition").status_code
        assert 0 == confirm(again.store).exit_code
        early = {"occurred_at": "2025-01-04T08:00:00+01:00"}
        assert 201 == anew.post(f.scanned(**early)).status_code
        again.pass_(60)
        third = started_again(again, timedelta(0))
        again = third
        anew = Shop(client_with(create_app(third.store), token))
        assert 201 == anew.post(f.scanned(**early)).status_code, "still before the last entry, but confirmed"
        stamps = [e["recorded_at"] for e in anew.client.get("/v1/feed?from=0&limit=100").json["entries"]]
        assert sorted(stamps) == stamps, "recorded_at never falls"
        fourth = started_again(third, -timedelta(minutes=10))
        again = fourth
        anew = Shop(client_with(create_app(fourth.store), token))
        assert doubted(anew.post(f.scanned(**early))), "earlier than what was confirmed"
    finally:
        again.store.close()


def test_a_start_up_to_five_minutes_before_the_last_entry_is_no_doubt(machine, shop):
    token = shop.client.environ_base["HTTP_AUTHORIZATION"].removeprefix("Bearer ")
    again = started_again(machine, -timedelta(minutes=5))
    try:
        anew = Shop(client_with(create_app(again.store), token))
        assert 201 == anew.post(f.scanned(occurred_at="2026-01-05T08:00:00+01:00")).status_code
    finally:
        again.store.close()


def test_one_book_is_confirmed_alone_when_it_is_named(machine, shop):
    other = shop_on(machine, new_book(machine.store, "clock.example/other"))
    machine.clock.now += TEN_YEARS
    assert doubted(other.post(f.scanned()))
    assert 0 == confirm(machine.store, "--book", "clock.example/book").exit_code
    assert 201 == shop.post(f.scanned()).status_code
    assert doubted(other.post(f.scanned()))


def test_a_simulated_book_was_told_ahead_of_any_clock(folder):
    machine = Machine(folder, FakeClock(NOON - timedelta(days=30)))
    try:
        from service_api.ops.demo import SimulatedClock
        from service_api.permits import Sender
        from service_api.recording.recorder import Recorder
        from service_api.wire.entries import read_draft

        book = machine.store.new_book("demo.example/book", "+01:00", simulated=True)
        ahead = SimulatedClock()
        ahead.now = NOON
        sheet = f.sheet_issued(by="t.setter")
        from service_api.directory import people

        with machine.store.writing.begin() as connection:
            people.add_person(connection, book.number, "t.setter", "T", "quality")
        (told,) = Recorder(machine.store.appending, book, ahead).record(
            [read_draft(sheet)], Sender("t-0", vouches=True)
        )
        assert "recorded" == told.status, told.refusal
        machine.store.stamp(book.number)
    finally:
        machine.store.close()


SCRIPTS = st.lists(
    st.one_of(
        st.tuples(st.just("pass"), st.integers(0, 365 * 86_400)),
        st.tuples(st.just("set"), st.integers(-600, 600) | st.sampled_from([-315_360_000, 315_360_000])),
        st.tuples(st.just("post"), st.just(0)),
        st.tuples(st.just("confirm"), st.just(0)),
    ),
    max_size=12,
)


@given(SCRIPTS)
@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_b6_whatever_the_clock_does_what_is_acknowledged_is_there_in_order_and_nothing_else(migrated, script):
    """GOALS B6, with DESIGN's rule as the model: a step of more than 300 s against the counting clock is in doubt, seen
    when somebody writes, until it is confirmed."""
    with TemporaryDirectory() as place:
        folder = Path(place) / "book"
        shutil.copytree(migrated, folder)
        machine = Machine(folder, FakeClock())
        try:
            shop = shop_on(machine, new_book(machine.store, "clock.example/book"))
            kept, believed, stands, doubt = shop.size(), 0, 0, False
            confirmed = None
            for what, seconds in script:
                if what == "pass":
                    machine.pass_(seconds)
                elif what == "set":
                    machine.clock.advance(seconds=seconds)
                    stands += seconds
                elif what == "confirm":
                    machine.store.confirm_clock(machine.store.books()[0])
                    confirmed = stands
                else:
                    doubt = doubt or abs(stands - believed) > 300
                    if doubt and confirmed is not None and abs(stands - confirmed) <= 300:
                        believed, doubt = stands, False
                    answer = shop.post(f.scanned(occurred_at="1999-01-05T08:00:00+01:00"))
                    assert (503 if doubt else 201) == answer.status_code
                    kept += not doubt
            entries = shop.client.get("/v1/feed?from=0&limit=100").json["entries"]
            assert list(range(kept)) == [e["index"] for e in entries]
            stamps = [e["recorded_at"] for e in entries]
            assert sorted(stamps) == stamps
        finally:
            machine.store.close()


def expiring(machine, days=1):
    """A token that is good for so many days."""
    return token_of(machine.store, machine.store.books()[0], "auditor", days=days)


def let_in(machine, token):
    return 200 == client_with(create_app(machine.store), token).get("/v1/units/U-1").status_code


BACK = (-TEN_YEARS, timedelta(days=-1), timedelta(minutes=-10), datetime(2024, 2, 29, tzinfo=UTC) - NOON)


@pytest.mark.parametrize("step", BACK)
def test_b6_a_token_that_ran_out_does_not_come_back_with_the_clock(machine, shop, step):
    token = expiring(machine)
    assert let_in(machine, token)
    machine.pass_(86_400 + 1)
    assert not let_in(machine, token)
    machine.clock.now += step
    assert not let_in(machine, token)
    confirm(machine.store)
    assert not let_in(machine, token), "not before somebody has written under the confirmed clock"


def test_b6_a_token_that_ran_out_does_not_come_back_with_a_restart_under_an_early_clock(machine, shop, folder):
    token = expiring(machine)
    machine.pass_(3 * 86_400)
    assert 201 == shop.post(f.scanned()).status_code, "the book knows that the day has passed"
    assert not let_in(machine, token)
    machine.store.close()
    machine.clock.now -= timedelta(days=3)
    machine.store = Store(settings_in(folder), machine.clock, counting=lambda: machine.counted)
    assert not let_in(machine, token)


def test_b6_a_revoked_token_stays_revoked_whatever_the_clock_says(machine, shop):
    token = expiring(machine, days=None)
    book = machine.store.books()[0]
    with machine.store.writing.begin() as connection:
        (ident,) = [t.id for t in tokens.tokens(connection, book.number) if t.role == "auditor"]
        assert tokens.revoke(connection, book.number, ident, machine.store.clock())
    for step in (timedelta(), *BACK, TEN_YEARS):
        machine.clock.now += step
        assert not let_in(machine, token)


def test_b6_control_a_door_that_asks_the_clock_alone_lets_an_old_token_in(machine, shop, monkeypatch):
    monkeypatch.setattr(Store, "passed", lambda store, _: store.clock())
    token = expiring(machine)
    machine.pass_(86_400 + 1)
    machine.clock.now -= TEN_YEARS
    assert let_in(machine, token)


def test_b6_a_change_of_zone_while_the_service_runs_changes_no_stamp(machine, shop, monkeypatch):
    try:
        for zone in ("UTC+9", "UTC-11", "UTC"):
            monkeypatch.setenv("TZ", zone)
            time.tzset()
            assert "2026-01-05T12:00:00.000000Z" == shop.post(f.scanned()).json["recorded_at"]
    finally:
        monkeypatch.undo()
        time.tzset()
