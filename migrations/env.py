"""Alembic's entry: one transaction per revision, one advisory lock on a server, short waits for locks."""

from alembic import context
from sqlalchemy import Connection, text

from service_api.directory import tables as directory
from service_api.log import tables as log
from service_api.log.engines import writing_engine
from service_api.projections import tables as projections

LOCK = 4_662_001  # any number, the same for every migration of this service


def run() -> None:
    engine = writing_engine(context.config.get_main_option("sqlalchemy.url") or "")
    try:
        with engine.connect() as connection:
            _run(connection)
    finally:
        engine.dispose()


def _run(connection: Connection) -> None:
    if connection.dialect.name == "postgresql":
        connection.execute(text("SET lock_timeout = '10s'"))
        connection.execute(text("SELECT pg_advisory_lock(:n)"), {"n": LOCK})
        connection.commit()
    context.configure(
        connection=connection,
        target_metadata=[log.metadata, projections.metadata, directory.metadata],
        transaction_per_migration=True,
    )
    with context.begin_transaction():
        context.run_migrations()


run()
