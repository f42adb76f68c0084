"""The seal of the log: the triggers that keep its tables from being changed, and whether they are there."""

from sqlalchemy import Connection, text

from service_api.log.tables import SEALED

TRIGGERS = {"sqlite": ("{}_no_update", "{}_no_delete", "{}_next"), "postgresql": ("{}_sealed",)}
THERE = {
    "sqlite": "SELECT name FROM sqlite_master WHERE type = 'trigger'",
    "postgresql": "SELECT tgname FROM pg_trigger WHERE NOT tgisinternal AND tgenabled <> 'D'",
}


def broken(connection: Connection) -> dict[str, list[str]]:
    """Which tables can be changed, and the triggers that are gone or off."""
    dialect = connection.dialect.name
    there = set(connection.execute(text(THERE[dialect])).scalars())
    wanted = {table: [name.format(table) for name in TRIGGERS[dialect]] for table in SEALED}
    return {table: gone for table, names in wanted.items() if (gone := [n for n in names if n not in there])}
