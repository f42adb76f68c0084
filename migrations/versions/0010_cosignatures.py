"""Cosignatures: the newest checkpoint of a book that each of its witnesses has signed. Safe beside running code."""

import sqlalchemy as sa
from alembic import op

revision = "0010_cosignatures"
down_revision = "0009_papers"

BIG = sa.BigInteger().with_variant(sa.Integer, "sqlite")


def upgrade() -> None:
    op.create_table(
        "cosignature",
        sa.Column("book", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("witness", sa.Text, primary_key=True),
        sa.Column("size", BIG, nullable=False),
        sa.Column("root", sa.LargeBinary, nullable=False),
        sa.Column("line", sa.Text, nullable=False),
        sqlite_with_rowid=False,
    )


def downgrade() -> None:
    raise RuntimeError("the log below is never unsealed")
