"""The tables' history: what migrating builds is what the code expects, and rows live through it."""

import pytest
from alembic import command
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import MetaData, text

from service_api.app import Store, migrate, newest_revision, store_revision
from service_api.directory import tables as directory
from service_api.log import tables as log
from service_api.projections import tables as projections
from service_api.settings import travelling
from tests import factories as f


def config(url: str) -> Config:
    found = Config()
    found.set_main_option("script_location", str(travelling("migrations")))
    found.set_main_option("sqlalchemy.url", url)
    return found


def differences(engine) -> list:
    """What alembic would change; its own table is not ours."""
    whole = MetaData()
    for room in (log, projections, directory):
        for table in room.metadata.tables.values():
            table.to_metadata(whole)
    with engine.connect() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        return compare_metadata(context, whole)


def test_migrating_an_empty_store_builds_the_tables_of_the_three_rooms(store):
    assert [] == differences(store.writing)


def test_migrating_an_empty_server_builds_them_too(postgresql_engine):
    assert [] == differences(postgresql_engine)


def test_what_every_append_writes_anew_has_room_beside_it_on_a_server(postgresql_engine):
    """With full blocks a third to a half of all new states and pages went elsewhere, and into each index again."""
    options = text("SELECT relname FROM pg_class WHERE reloptions @> ARRAY['fillfactor=50']")
    with postgresql_engine.connect() as connection:
        assert ["page", "unit_state"] == sorted(connection.execute(options).scalars())


def test_a_missing_column_would_show(store):
    """The comparison itself can fail."""
    with store.writing.begin() as connection:
        connection.execute(text("ALTER TABLE party DROP COLUMN name"))
    assert ["add_column"] == [difference[0] for difference in differences(store.writing)]


def test_the_line_in_HEAD_is_the_newest_revision_and_there_is_one(store):
    """`serve` compares this line alone, so that it starts without alembic."""
    heads = ScriptDirectory.from_config(config("sqlite://")).get_heads()
    assert [newest_revision()] == list(heads)
    assert newest_revision() == store_revision(store.writing)


def test_there_is_no_way_down(store):
    with pytest.raises(RuntimeError, match="never unsealed"):
        command.downgrade(config(store.settings.database), "base")
    assert newest_revision() == store_revision(store.writing)


def test_a_store_with_entries_survives_being_migrated_again(store, clock, tell, ask, book):
    told = tell(f.sheet_issued(), f.registered(), f.tag_attached("OWN-7"), f.fitted(), f.reading("0.24", hours="12.5"))
    before = ask("/v1/units/U-1/condition")
    settings = store.settings
    store.close()
    migrate(settings.database)
    again = Store(settings, clock)
    try:
        answers = again.answers(book.number)
        assert len(told) == answers.size()
        import json

        assert before == json.loads(answers.condition("U-1").text)
        with again.reading.connect() as connection:
            assert 5 == connection.execute(text("SELECT count(*) FROM receipt")).scalar()
    finally:
        again.close()


def test_0011_files_for_the_gate_what_was_filed_for_the_job_alone(store, clock, tell, ask):
    tell(f.registered(), f.job_opened(), f.work_done(job="J-1"), f.reading("0.1", job="J-1"), f.scanned())
    topics = "SELECT topic, log_index, relation, type FROM entry_topic ORDER BY topic, log_index"
    with store.writing.begin() as connection:
        drawn = connection.execute(text(topics)).all()
        connection.execute(text("DELETE FROM entry_topic WHERE topic LIKE 'gate:%'"))
        connection.execute(text("UPDATE alembic_version SET version_num = '0010_cosignatures'"))
    settings = store.settings
    store.close()
    again = Store(settings, clock)
    try:
        with again.reading.connect() as connection:
            assert drawn == connection.execute(text(topics)).all()
        assert ["job.opened", "work.done"] == [row.type for row in drawn if row.topic.startswith("gate:")]
    finally:
        again.close()
