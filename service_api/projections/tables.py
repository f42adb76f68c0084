"""The tables of the projections. `book` leads every key.

page : how many entries stand on a subject, for the next `seq`, and the last of them
entry_topic : under which subjects, jobs and tags an entry is found, and under which job's gate; `relation` own (its
    subject), named, drawn (moved here, or a correction that came along)
unit_state : the folded state of a unit; on SQLite with row numbers, so that a state stays on one page (0008)
tag_span : which unit a tag points to, and when
stretch : a unit's facts in the order of the corrected moment, some at a time (projections/stretches.py)
stretch_cell : what a cell of the state said at the end of a stretch whose facts touched it
remark : what was remarked of a unit's facts and nobody can settle; `said` is its text
claim : what facts say of a serial, a label or an id that other pages may speak of too; a correction adds a line
doubt : where claims contradict each other now, by page; the row without a key says how far a unit's neighbours go
slip : the entries of a device by its own running number; of two with one number the first
change : which units an entry may have changed, and in what; an empty unit stands for all that lean on its context
"""

from sqlalchemy import BigInteger, Column, Index, Integer, LargeBinary, MetaData, Table, Text

metadata = MetaData()
BigInt = BigInteger().with_variant(Integer, "sqlite")

page = Table(
    "page",
    metadata,
    Column("book", Integer, primary_key=True, autoincrement=False),
    Column("subject", Text, primary_key=True),
    Column("entries", BigInt, nullable=False),
    Column("head_index", BigInt, nullable=False),
    sqlite_with_rowid=False,
)
entry_topic = Table(
    "entry_topic",
    metadata,
    Column("book", Integer, primary_key=True, autoincrement=False),
    Column("topic", Text, primary_key=True),
    Column("log_index", BigInt, primary_key=True, autoincrement=False),
    Column("relation", Integer, nullable=False),
    Column("type", Text, nullable=False),
    sqlite_with_rowid=False,
)
unit_state = Table(
    "unit_state",
    metadata,
    Column("book", Integer, primary_key=True, autoincrement=False),
    Column("unit", Text, primary_key=True),
    Column("head_index", BigInt, nullable=False),
    Column("class", Text, nullable=False),
    Column("serial", Text),
    Column("state", LargeBinary, nullable=False),
)
Index("unit_state_serial", unit_state.c.book, unit_state.c["class"], unit_state.c.serial)
tag_span = Table(
    "tag_span",
    metadata,
    Column("book", Integer, primary_key=True, autoincrement=False),
    Column("tag", Text, primary_key=True),
    Column("unit", Text, primary_key=True),
    Column("entry", Text, primary_key=True),
    Column("since", Text, nullable=False),
    Column("until", Text),
    Column("why", Text),
    sqlite_with_rowid=False,
)
Index("tag_span_unit", tag_span.c.book, tag_span.c.unit)
remark = Table(
    "remark",
    metadata,
    Column("book", Integer, primary_key=True, autoincrement=False),
    Column("unit", Text, primary_key=True),
    Column("entry", Text, primary_key=True),
    Column("code", Text, primary_key=True),
    Column("said", Text, nullable=False),
    sqlite_with_rowid=False,
)
stretch = Table(
    "stretch",
    metadata,
    Column("book", Integer, primary_key=True, autoincrement=False),
    Column("unit", Text, primary_key=True),
    Column("place", BigInt, primary_key=True, autoincrement=False),
    Column("first", Text, nullable=False),
    Column("until", Text, nullable=False),
    Column("last", Text, nullable=False),
    Column("facts", Integer, nullable=False),
    Column("upto", BigInt, nullable=False),
    Column("entries", Text, nullable=False),
    sqlite_with_rowid=False,
)
stretch_cell = Table(
    "stretch_cell",
    metadata,
    Column("book", Integer, primary_key=True, autoincrement=False),
    Column("unit", Text, primary_key=True),
    Column("member", Text, primary_key=True),
    Column("name", Text, primary_key=True),
    Column("place", BigInt, primary_key=True, autoincrement=False),
    Column("said", Text),
    sqlite_with_rowid=False,
)
change = Table(
    "change",
    metadata,
    Column("book", Integer, primary_key=True, autoincrement=False),
    Column("log_index", BigInt, primary_key=True, autoincrement=False),
    Column("unit", Text, primary_key=True),
    Column("changed", Text, nullable=False),
    sqlite_with_rowid=False,
)
context = Table(
    "context",
    metadata,
    Column("book", Integer, primary_key=True, autoincrement=False),
    Column("head_index", BigInt, nullable=False),
)

claim = Table(
    "claim",
    metadata,
    Column("book", Integer, primary_key=True, autoincrement=False),
    Column("key", Text, primary_key=True),
    Column("fact", BigInt, primary_key=True, autoincrement=False),
    Column("since", BigInt, primary_key=True, autoincrement=False),
    Column("entry", Text, nullable=False),
    Column("subject", Text, nullable=False),
    Column("live", Integer, nullable=False),
    Column("at", Text, nullable=False),
    Column("nth", BigInt, nullable=False),
    Column("type", Text, nullable=False),
    Column("said", Text, nullable=False),
    sqlite_with_rowid=False,
)
Index("claim_subject", claim.c.book, claim.c.subject, claim.c.key)
Index("claim_fact", claim.c.book, claim.c.fact)
doubt = Table(
    "doubt",
    metadata,
    Column("book", Integer, primary_key=True, autoincrement=False),
    Column("subject", Text, primary_key=True),
    Column("key", Text, primary_key=True),
    Column("cause", Text, nullable=False),
    Column("head_index", BigInt, nullable=False),
    Column("said", Text, nullable=False),
    sqlite_with_rowid=False,
)
Index("doubt_cause", doubt.c.book, doubt.c.cause)
slip = Table(
    "slip",
    metadata,
    Column("book", Integer, primary_key=True, autoincrement=False),
    Column("device", Text, primary_key=True),
    Column("seq", BigInt, primary_key=True, autoincrement=False),
    Column("fact", BigInt, nullable=False),
    Column("entry", Text, nullable=False),
    Column("live", Integer, nullable=False),
    Column("typed", Text, nullable=False),
    Column("at", Text, nullable=False),
    Column("moved", BigInt, nullable=False),
    sqlite_with_rowid=False,
)

OWN, NAMED, DRAWN = 0, 1, 2
