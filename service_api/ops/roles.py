"""The two roles on a server: the owner makes and changes the tables, the service writes rows and cannot break the seal.

The service's role gets what these statements say, and nothing else; it never owns a table.
"""

from sqlalchemy import Connection, text

from service_api.directory import tables as directory
from service_api.log import tables as log
from service_api.projections import tables as projections

TABLES = [t.name for m in (log.metadata, projections.metadata, directory.metadata) for t in m.sorted_tables]


class NoRole(LookupError):
    """The server has no role of this name."""


def rights(schema: str, role: str) -> list[str]:
    """What the service's role is granted; names are quoted already."""
    sealed = ", ".join(f"{schema}.{name}" for name in log.SEALED)
    free = ", ".join(f"{schema}.{name}" for name in TABLES if name not in log.SEALED)
    return [
        f"GRANT USAGE ON SCHEMA {schema} TO {role}",
        f"GRANT SELECT, INSERT ON {sealed} TO {role}",
        f"GRANT SELECT, INSERT, UPDATE, DELETE ON {free} TO {role}",
        f"GRANT SELECT ON {schema}.alembic_version TO {role}",
    ]


def grant(connection: Connection, service: str | None = None) -> list[str]:
    """Give the service's role its rights, and those that have them already their share of new tables; whom it was.

    Raises NoRole.
    """
    roles = _services(connection) | ({service} if service else set())
    there = set(connection.execute(text("SELECT rolname FROM pg_roles")).scalars())
    quote = connection.dialect.identifier_preparer.quote
    schema = quote(str(connection.execute(text("SELECT current_schema()")).scalar_one()))
    for role in sorted(roles):
        if role not in there:
            raise NoRole(f"there is no role {role}: CREATE ROLE {quote(role)} LOGIN PASSWORD '...'")
        for statement in rights(schema, quote(role)):
            connection.exec_driver_sql(statement)
    return sorted(roles)


def _services(connection: Connection) -> set[str]:
    """Who may append, and does not own the table."""
    rows = connection.execute(
        text(
            "SELECT r.rolname FROM pg_class c, aclexplode(c.relacl) a, pg_roles r WHERE c.oid = 'entry'::regclass"
            " AND a.privilege_type = 'INSERT' AND r.oid = a.grantee AND a.grantee <> c.relowner"
        )
    )
    return set(rows.scalars())


def unseals(connection: Connection) -> bool:
    """Whether the role of this connection could break the seal: it owns a sealed table, or may change its rows."""
    found = connection.execute(
        text(
            "SELECT bool_or(pg_has_role(current_user, relowner, 'USAGE') OR"
            " has_table_privilege(oid, 'UPDATE, DELETE, TRUNCATE, TRIGGER'))"
            " FROM pg_class WHERE oid = ANY(CAST(:sealed AS regclass[]))"
        ),
        {"sealed": list(log.SEALED)},
    )
    return bool(found.scalar())
