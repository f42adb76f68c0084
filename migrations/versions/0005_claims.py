"""Claims and doubts: what facts of several pages say of one thing. Safe beside running code.

The tables are projections: in a book that has entries `fettlebook redraw` fills them.
"""

import sqlalchemy as sa
from alembic import op

revision = "0005_claims"
down_revision = "0004_sessions"

BIG = sa.BigInteger().with_variant(sa.Integer, "sqlite")


def number(name: str, key: bool = False) -> sa.Column:
    return sa.Column(name, BIG, primary_key=key, autoincrement=False, nullable=False)


def text(name: str, key: bool = False) -> sa.Column:
    return sa.Column(name, sa.Text, primary_key=key, nullable=False)


def book() -> sa.Column:
    return sa.Column("book", sa.Integer, primary_key=True, autoincrement=False)


def upgrade() -> None:
    op.create_table(
        "claim",
        book(),
        text("key", key=True),
        number("fact", key=True),
        number("since", key=True),
        text("entry"),
        text("subject"),
        sa.Column("live", sa.Integer, nullable=False),
        text("at"),
        number("nth"),
        text("type"),
        text("said"),
        sqlite_with_rowid=False,
    )
    op.create_index("claim_subject", "claim", ["book", "subject", "key"])
    op.create_index("claim_fact", "claim", ["book", "fact"])
    op.create_table(
        "doubt",
        book(),
        text("subject", key=True),
        text("key", key=True),
        text("cause"),
        number("head_index"),
        text("said"),
        sqlite_with_rowid=False,
    )
    op.create_index("doubt_cause", "doubt", ["book", "cause"])


def downgrade() -> None:
    raise RuntimeError("the log below is never unsealed, and a redraw needs no older tables")
