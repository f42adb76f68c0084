"""What nobody can settle stands beside a unit's state, in rows of its own.

Not safe beside running code: states change their form. Stop the service, migrate, `fettlebook redraw`.
"""

import sqlalchemy as sa
from alembic import op

revision = "0002_late"
down_revision = "0001_book"


def keyed(name: str, keys: list[str], *columns: sa.Column) -> None:
    """A table whose key begins with `book`; on SQLite it is the table itself, with no row number beside it."""
    op.create_table(
        name,
        sa.Column("book", sa.Integer, primary_key=True, autoincrement=False),
        *(sa.Column(key, sa.Text, primary_key=True) for key in keys),
        *columns,
        sqlite_with_rowid=False,
    )


def text(name: str) -> sa.Column:
    return sa.Column(name, sa.Text, nullable=False)


def upgrade() -> None:
    keyed("remark", ["unit", "entry", "code"], text("said"))


def downgrade() -> None:
    raise RuntimeError("the log below is never unsealed, and a redraw needs no older tables")
