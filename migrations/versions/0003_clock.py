"""When somebody confirmed the machine's clock for a book. Safe beside running code; rows are only added."""

import sqlalchemy as sa
from alembic import op

revision = "0003_clock"
down_revision = "0002_late"


def upgrade() -> None:
    op.create_table(
        "clock_confirmed",
        sa.Column("book", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("number", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("confirmed_at", sa.Text, nullable=False),
        sa.Column("counted_ms", sa.BigInteger().with_variant(sa.Integer, "sqlite"), nullable=False),
        sa.Column("recorded_at", sa.Text, nullable=False),
        sqlite_with_rowid=False,
    )


def downgrade() -> None:
    op.drop_table("clock_confirmed")
