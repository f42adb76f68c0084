"""States in a table with row numbers, on SQLite: there a row stays on one page up to the size of the page, where a key
that is the table itself sends all past a quarter of it to pages of their own, which every append freed and took again.

Takes a moment of nobody writing, a second for some ten thousand units; code that runs meanwhile goes on with its rows.
"""

from alembic import op

revision = "0008_whole_states"
down_revision = "0007_slips"

TABLE = """
CREATE TABLE unit_state (
    book INTEGER NOT NULL,
    unit TEXT NOT NULL,
    head_index INTEGER NOT NULL,
    class TEXT NOT NULL,
    serial TEXT,
    state BLOB NOT NULL,
    PRIMARY KEY (book, unit)
)"""


def upgrade() -> None:
    if op.get_bind().dialect.name != "sqlite":
        return
    op.execute("ALTER TABLE unit_state RENAME TO unit_state_before")
    op.execute(TABLE)
    op.execute("INSERT INTO unit_state SELECT book, unit, head_index, class, serial, state FROM unit_state_before")
    op.execute("DROP TABLE unit_state_before")
    op.create_index("unit_state_serial", "unit_state", ["book", "class", "serial"])


def downgrade() -> None:
    raise RuntimeError("the log below is never unsealed, and a redraw needs no older tables")
