"""Which drawn paper belongs to which entry: a certificate is drawn once.

Safe beside running code: a new table that only new code fills.
"""

import sqlalchemy as sa
from alembic import op

revision = "0009_papers"
down_revision = "0008_whole_states"


def upgrade() -> None:
    op.create_table(
        "paper",
        sa.Column("book", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("entry", sa.Text, primary_key=True),
        sa.Column("sha256", sa.Text, nullable=False),
    )


def downgrade() -> None:
    raise RuntimeError("the log below is never unsealed; what was given out as a paper stays known")
