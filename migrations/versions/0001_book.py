"""The first tables: the sealed log, the projections, the directory. An empty store becomes a store of books.

The entry tables have no way down: the seal stops accidents, the tree shows tampering. Keep one unique key on each
sealed table: under SQLite, REPLACE on a second one (or on a row number) deletes an old row past the delete trigger.
"""

import sqlalchemy as sa
from alembic import op

revision = "0001_book"
down_revision = None

BIG = sa.BigInteger().with_variant(sa.Integer, "sqlite")


def keyed(name: str, keys: list[sa.Column], *columns: sa.Column) -> None:
    """A table whose key begins with `book`; on SQLite it is the table itself, with no row number beside it."""
    op.create_table(
        name,
        sa.Column("book", sa.Integer, primary_key=True, autoincrement=False),
        *keys,
        *columns,
        sqlite_with_rowid=False,
    )


def text_key(name: str) -> sa.Column:
    return sa.Column(name, sa.Text, primary_key=True)


def index_key() -> sa.Column:
    return sa.Column("log_index", BIG, primary_key=True, autoincrement=False)


def text(name: str, nullable: bool = True) -> sa.Column:
    return sa.Column(name, sa.Text, nullable=nullable)


def blob(name: str, nullable: bool = False) -> sa.Column:
    return sa.Column(name, sa.LargeBinary, nullable=nullable)


def number(name: str) -> sa.Column:
    return sa.Column(name, BIG, nullable=False)


def upgrade() -> None:
    log()
    projections()
    directory()
    seal()


def log() -> None:
    op.create_table(
        "book",
        sa.Column("book", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("origin", sa.Text, nullable=False, unique=True),
        text("zone", nullable=False),
        sa.Column("simulated", sa.Integer, nullable=False),
        text("made_at", nullable=False),
    )
    keyed("entry", [index_key()], blob("hashed"))
    keyed("entry_id", [sa.Column("id", sa.LargeBinary, primary_key=True)], blob("digest"), number("log_index"))
    keyed("receipt", [index_key()], blob("leaf"), blob("said", nullable=True))
    op.create_table(
        "log_head",
        sa.Column("book", sa.Integer, primary_key=True, autoincrement=False),
        number("size"),
        blob("edge"),
        blob("root"),
        text("recorded_at", nullable=False),
    )


def projections() -> None:
    keyed("page", [text_key("subject")], number("entries"), number("head_index"))
    keyed(
        "entry_topic",
        [text_key("topic"), index_key()],
        sa.Column("relation", sa.Integer, nullable=False),
        text("type", nullable=False),
    )
    keyed(
        "unit_state",
        [text_key("unit")],
        number("head_index"),
        text("class", nullable=False),
        text("serial"),
        blob("state"),
    )
    op.create_index("unit_state_serial", "unit_state", ["book", "class", "serial"])
    keyed(
        "tag_span",
        [text_key("tag"), text_key("unit"), text_key("entry")],
        text("since", nullable=False),
        text("until"),
        text("why"),
    )
    op.create_index("tag_span_unit", "tag_span", ["book", "unit"])
    keyed("change", [index_key(), text_key("unit")], text("changed", nullable=False))
    op.create_table(
        "context",
        sa.Column("book", sa.Integer, primary_key=True, autoincrement=False),
        number("head_index"),
    )


def directory() -> None:
    def table(name: str, keys: list[str], *columns: sa.Column) -> None:
        op.create_table(
            name,
            sa.Column("book", sa.Integer, primary_key=True, autoincrement=False),
            *(text_key(key) for key in keys),
            *columns,
        )

    table("person", ["id"], text("name", nullable=False), text("retired_at"))
    table("person_role", ["person", "from_on"], text("role", nullable=False))
    table("party", ["id"], text("name", nullable=False))
    table(
        "token",
        ["id"],
        blob("digest"),
        text("role", nullable=False),
        text("person"),
        text("party"),
        text("device"),
        text("name"),
        text("made_at", nullable=False),
        text("expires_at"),
        text("revoked_at"),
    )
    table("device", ["id"], text("name", nullable=False), text("made_at", nullable=False), text("revoked_at"))
    table("enrolment", ["device"], blob("digest"), text("until", nullable=False), text("used_at"))
    table("minted_tag", ["tag"], text("made_at", nullable=False))
    table(
        "attachment",
        ["sha256"],
        text("media_type", nullable=False),
        sa.Column("bytes", sa.Integer, nullable=False),
        text("made_at", nullable=False),
    )


def seal() -> None:
    for statement in SEAL[op.get_bind().dialect.name]:
        op.execute(statement)


SEALED = ("entry", "entry_id", "receipt")


def _sqlite() -> list[str]:
    """No update, no delete; and no insert that REPLACE could turn into a delete."""
    found = []
    for table in SEALED:
        abort = f"BEGIN SELECT RAISE(ABORT, '{table} is sealed'); END"
        found += [f"CREATE TRIGGER {table}_no_{verb} BEFORE {verb} ON {table} {abort}" for verb in ("update", "delete")]
        taken = "EXISTS (SELECT 1 FROM entry_id WHERE book = NEW.book AND id = NEW.id)"
        if table != "entry_id":
            newest = f"(SELECT coalesce(max(log_index), -1) + 1 FROM {table} WHERE book = NEW.book)"
            taken = f"NEW.log_index IS NOT {newest}"
        found.append(f"CREATE TRIGGER {table}_next BEFORE INSERT ON {table} WHEN {taken} {abort}")
    return found


def _postgresql() -> list[str]:
    found = [
        "CREATE FUNCTION sealed() RETURNS trigger LANGUAGE plpgsql AS"
        " $$ BEGIN RAISE EXCEPTION '% is sealed', TG_TABLE_NAME; END $$"
    ]
    for table in SEALED:
        found.append(
            f"CREATE TRIGGER {table}_sealed BEFORE UPDATE OR DELETE OR TRUNCATE ON {table} EXECUTE FUNCTION sealed()"
        )
    return found


SEAL = {"sqlite": _sqlite(), "postgresql": _postgresql()}


def downgrade() -> None:
    raise RuntimeError("entries are never unsealed; restore a backup beside the log instead")
