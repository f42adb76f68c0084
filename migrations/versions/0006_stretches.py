"""Long pages cut into stretches. Safe beside running code: new tables that nobody fills yet."""

import sqlalchemy as sa
from alembic import op

revision = "0006_stretches"
down_revision = "0005_claims"

BIG = sa.BigInteger().with_variant(sa.Integer, "sqlite")


def keyed(name: str, keys: list[str], *columns: sa.Column) -> None:
    """A table whose key begins with `book` and ends with a stretch's place."""
    op.create_table(
        name,
        sa.Column("book", sa.Integer, primary_key=True, autoincrement=False),
        *(sa.Column(key, sa.Text, primary_key=True) for key in keys),
        sa.Column("place", BIG, primary_key=True, autoincrement=False),
        *columns,
        sqlite_with_rowid=False,
    )


def upgrade() -> None:
    keyed(
        "stretch",
        ["unit"],
        sa.Column("first", sa.Text, nullable=False),
        sa.Column("until", sa.Text, nullable=False),
        sa.Column("last", sa.Text, nullable=False),
        sa.Column("facts", sa.Integer, nullable=False),
        sa.Column("upto", BIG, nullable=False),
        sa.Column("entries", sa.Text, nullable=False),
    )
    keyed("stretch_cell", ["unit", "member", "name"], sa.Column("said", sa.Text))


def downgrade() -> None:
    raise RuntimeError("the log below is never unsealed, and a redraw needs no older tables")
