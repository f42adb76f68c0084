"""Slips: the entries of each device by its own running number. Safe beside running code.

The table is a projection: in a book that has entries `fettlebook redraw` fills it.
"""

import sqlalchemy as sa
from alembic import op

revision = "0007_slips"
down_revision = "0006_stretches"

BIG = sa.BigInteger().with_variant(sa.Integer, "sqlite")


def number(name: str, key: bool = False) -> sa.Column:
    return sa.Column(name, BIG, primary_key=key, autoincrement=False, nullable=False)


def text(name: str, key: bool = False) -> sa.Column:
    return sa.Column(name, sa.Text, primary_key=key, nullable=False)


def upgrade() -> None:
    op.create_table(
        "slip",
        sa.Column("book", sa.Integer, primary_key=True, autoincrement=False),
        text("device", key=True),
        number("seq", key=True),
        number("fact"),
        text("entry"),
        sa.Column("live", sa.Integer, nullable=False),
        text("typed"),
        text("at"),
        number("moved"),
        sqlite_with_rowid=False,
    )


def downgrade() -> None:
    raise RuntimeError("the log below is never unsealed, and a redraw needs no older tables")
