"""The owner's role and the service's, on a real server: who serves may append, and cannot break the seal."""

from types import SimpleNamespace

import pytest
from click.testing import CliRunner
from sqlalchemy import create_engine, text
from sqlalchemy.engine import make_url
from sqlalchemy.exc import DBAPIError
from sqlalchemy.pool import NullPool

from service_api.app import Store
from service_api.cli import main
from service_api.log.tables import SEALED
from service_api.ops.roles import unseals
from service_api.permits import Sender
from service_api.settings import Settings
from service_api.wire.entries import read_draft
from tests import factories as f
from tests.conftest import new_book
from tests.faults.checks import Clients, faults

ROLE = "shop_service"
DENIED = "42501"  # https://www.postgresql.org/docs/current/errcodes-appendix.html: insufficient_privilege


def command(*words):
    return CliRunner().invoke(main, words, catch_exceptions=False)


@pytest.fixture
def server(server_database, tmp_path):
    """A database whose service role was named to `migrate`: .owner .service are its URLs."""
    admin = create_engine(server_database, poolclass=NullPool)
    with admin.begin() as connection:
        connection.execute(text(f"CREATE ROLE {ROLE} LOGIN"))
    done = command("--data", str(tmp_path), "migrate", "--database", server_database, "--service-role", ROLE)
    assert (0, True) == (done.exit_code, ROLE in done.output), done.output
    service = make_url(server_database).set(username=ROLE).render_as_string(hide_password=False)
    yield SimpleNamespace(owner=server_database, service=service, admin=admin, folder=tmp_path)
    with admin.begin() as connection:
        connection.execute(text(f"DROP OWNED BY {ROLE}"))
        connection.execute(text(f"DROP ROLE {ROLE}"))
    admin.dispose()


@pytest.fixture
def store(server, clock):
    opened = Store(Settings(server.folder, server.service, "+01:00"), clock)
    yield opened
    opened.close()


def told(store, book):
    read = f.reading("0.24", hours="12.50")
    drafts = [f.sheet_issued(), f.registered(), f.tag_attached("OWN-1"), read, f.withdrawn(read)]
    sent = store.recorder(book.number).record([read_draft(raw) for raw in drafts], Sender("token-1", vouches=True))
    assert ["recorded"] * len(drafts) == [o.status for o in sent], [str(o.refusal) for o in sent]


def test_the_service_role_does_all_that_a_service_does(store):
    """A book, people, entries in order and corrected, a redraw: nothing more is granted, and no more is needed."""
    book = new_book(store, "roles.example/book")
    told(store, book)
    assert [] == faults(store, book, Clients())


ATTACKS = [
    *(f"UPDATE {table} SET book = book" for table in SEALED),
    *(f"DELETE FROM {table}" for table in SEALED),
    *(f"TRUNCATE {table}" for table in SEALED),
    *(f"DROP TRIGGER {table}_sealed ON {table}" for table in SEALED),
    *(f"ALTER TABLE {table} DISABLE TRIGGER {table}_sealed" for table in SEALED),
    *(f"ALTER TABLE {table} DISABLE TRIGGER ALL" for table in SEALED),
    *(f"DROP TABLE {table}" for table in SEALED),
    *(f"ALTER TABLE {table} RENAME TO elsewhere" for table in SEALED),
    *(f"CREATE RULE gone AS ON INSERT TO {table} DO INSTEAD NOTHING" for table in SEALED),
    *(f"CREATE TRIGGER mine BEFORE INSERT ON {table} EXECUTE FUNCTION sealed()" for table in SEALED),
    "DROP FUNCTION sealed() CASCADE",
    "CREATE OR REPLACE FUNCTION sealed() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN RETURN NULL; END $$",
    "SET session_replication_role = replica",
    "SET ROLE book",
    "CREATE TABLE mine (n int)",
]


def test_nothing_that_the_service_role_can_say_breaks_the_seal(store):
    book = new_book(store, "roles.example/book")
    told(store, book)
    through = []
    for attack in ATTACKS:
        try:
            with store.writing.begin() as connection:
                connection.exec_driver_sql(attack)
        except DBAPIError as error:
            if error.orig.sqlstate != DENIED:
                through.append((attack, str(error)))
            continue
        through.append((attack, "done"))
    assert [] == through
    with store.writing.begin() as connection:
        connection.exec_driver_sql(f"GRANT UPDATE ON entry TO {ROLE}")  # said to be done, with a warning, and is not
        assert not unseals(connection)


@pytest.mark.parametrize("table", SEALED)
def test_the_triggers_refuse_even_what_somebody_grants_by_mistake(table, store, server):
    told(store, new_book(store, "roles.example/book"))
    with server.admin.begin() as connection:
        connection.execute(text(f"GRANT UPDATE, DELETE, TRUNCATE ON {table} TO {ROLE}"))
    for attack in (f"UPDATE {table} SET book = book", f"DELETE FROM {table}", f"TRUNCATE {table}"):
        with pytest.raises(DBAPIError, match=f"{table} is sealed"), store.writing.begin() as connection:
            connection.exec_driver_sql(attack)
    with store.reading.connect() as connection:
        assert unseals(connection), "and the next start of the service warns of it"


def test_the_owner_is_told_that_its_role_could_break_the_seal_and_the_service_is_not(server):
    said = {}
    for url in (server.owner, server.service):
        engine = create_engine(url)
        with engine.connect() as connection:
            said[url] = unseals(connection)
        engine.dispose()
    assert {server.owner: True, server.service: False} == said


def test_a_role_that_was_named_once_keeps_its_share_of_new_tables(server):
    with server.admin.begin() as connection:
        connection.execute(text(f"REVOKE ALL ON change FROM {ROLE}"))  # as a table that a migration has just made
    assert 0 == command("migrate", "--database", server.owner).exit_code
    engine = create_engine(server.service)
    with engine.connect() as connection:
        assert connection.execute(text("SELECT has_table_privilege('change', 'SELECT, INSERT')")).scalar()
    engine.dispose()


def test_a_role_that_is_not_there_is_named_with_what_makes_it(server):
    done = command("migrate", "--database", server.owner, "--service-role", "nobody_yet")
    assert (3, True) == (done.exit_code, "CREATE ROLE nobody_yet LOGIN" in done.output), done.output


def test_the_service_role_cannot_migrate(server):
    with server.admin.begin() as connection:
        connection.execute(text("DELETE FROM alembic_version"))
    assert 3 == command("migrate", "--database", server.service).exit_code


def test_an_embedded_store_has_no_roles(tmp_path):
    assert 2 == command("--data", str(tmp_path), "migrate", "--service-role", "any").exit_code
