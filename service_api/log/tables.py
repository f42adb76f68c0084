"""The tables of the log. `book` leads every key, so that a statement touches one book only.

entry : the hashed text, sealed; (book, log_index) is its only unique key, and there is no hidden row number
entry_id : the client's id and the digest of what the client sent, by which the same entry is known again; sealed
receipt : leaf hash, and what was said of the entry when it was recorded; unhashed, sealed
log_head : size, right edge of the tree, root and last recorded moment; one row a book, changed in every append
clock_confirmed : what the machine's clock said when somebody confirmed it, what its counting clock said, and the last
    recorded moment then
cosignature : the newest checkpoint that each witness has signed, and its line
"""

from sqlalchemy import BigInteger, Column, Integer, LargeBinary, MetaData, Table, Text

metadata = MetaData()
BigInt = BigInteger().with_variant(Integer, "sqlite")

book = Table(
    "book",
    metadata,
    Column("book", Integer, primary_key=True, autoincrement=False),
    Column("origin", Text, nullable=False, unique=True),
    Column("zone", Text, nullable=False),
    Column("simulated", Integer, nullable=False),
    Column("made_at", Text, nullable=False),
)
entry = Table(
    "entry",
    metadata,
    Column("book", Integer, primary_key=True, autoincrement=False),
    Column("log_index", BigInt, primary_key=True, autoincrement=False),
    Column("hashed", LargeBinary, nullable=False),
    sqlite_with_rowid=False,
)
entry_id = Table(
    "entry_id",
    metadata,
    Column("book", Integer, primary_key=True, autoincrement=False),
    Column("id", LargeBinary, primary_key=True),
    Column("digest", LargeBinary, nullable=False),
    Column("log_index", BigInt, nullable=False),
    sqlite_with_rowid=False,
)
receipt = Table(
    "receipt",
    metadata,
    Column("book", Integer, primary_key=True, autoincrement=False),
    Column("log_index", BigInt, primary_key=True, autoincrement=False),
    Column("leaf", LargeBinary, nullable=False),
    Column("said", LargeBinary),
    sqlite_with_rowid=False,
)
log_head = Table(
    "log_head",
    metadata,
    Column("book", Integer, primary_key=True, autoincrement=False),
    Column("size", BigInt, nullable=False),
    Column("edge", LargeBinary, nullable=False),
    Column("root", LargeBinary, nullable=False),
    Column("recorded_at", Text, nullable=False),
)
clock_confirmed = Table(
    "clock_confirmed",
    metadata,
    Column("book", Integer, primary_key=True, autoincrement=False),
    Column("number", Integer, primary_key=True, autoincrement=False),
    Column("confirmed_at", Text, nullable=False),
    Column("counted_ms", BigInt, nullable=False),
    Column("recorded_at", Text, nullable=False),
    sqlite_with_rowid=False,
)

cosignature = Table(
    "cosignature",
    metadata,
    Column("book", Integer, primary_key=True, autoincrement=False),
    Column("witness", Text, primary_key=True),
    Column("size", BigInt, nullable=False),
    Column("root", LargeBinary, nullable=False),
    Column("line", Text, nullable=False),
    sqlite_with_rowid=False,
)

SEALED = ("entry", "entry_id", "receipt")
