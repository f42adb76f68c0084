"""Badges, PINs and sessions; when a token was last used; a version of the directory that caches follow.

Safe beside running code: columns that nobody fills yet, and new tables.
"""

import sqlalchemy as sa
from alembic import op

revision = "0004_sessions"
down_revision = "0003_clock"


def table(name: str, keys: list[str], *columns: sa.Column) -> None:
    op.create_table(
        name,
        sa.Column("book", sa.Integer, primary_key=True, autoincrement=False),
        *(sa.Column(key, sa.Text, primary_key=True) for key in keys),
        *columns,
    )


def text(name: str, nullable: bool = False) -> sa.Column:
    return sa.Column(name, sa.Text, nullable=nullable)


def upgrade() -> None:
    op.add_column("token", text("last_used_at", nullable=True))
    op.add_column("person", text("badge", nullable=True))
    op.add_column("person", text("pin", nullable=True))
    op.create_index("person_badge", "person", ["book", "badge"], unique=True)
    table("pin_guess", ["device", "person"], sa.Column("failures", sa.Integer, nullable=False))
    table("session", ["device", "person"], text("opened_at"), text("until"))
    table("directory", [], sa.Column("version", sa.Integer, nullable=False))


def downgrade() -> None:
    for name in ("directory", "session", "pin_guess"):
        op.drop_table(name)
    op.drop_index("person_badge", "person")
    op.drop_column("person", "pin")
    op.drop_column("person", "badge")
    op.drop_column("token", "last_used_at")
