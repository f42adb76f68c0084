"""What an error of the store says of the transaction it came in: nothing was kept, or nobody here can tell."""

import sqlite3
from typing import Literal

from sqlalchemy.exc import DBAPIError, OperationalError

Trouble = Literal["held", "full", "unknown", "ours"]

# SQLite's primary result codes, and PostgreSQL's SQLSTATEs, of what is rolled back for certain
HELD = {sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED, sqlite3.SQLITE_READONLY, "55P03", "40001", "40P01", "25006"}
FULL = {sqlite3.SQLITE_FULL, "53100"}


def trouble(error: DBAPIError) -> Trouble:
    """held : by somebody else, or read-only; full : no space left; in both nothing was kept, for certain.

    unknown : an I/O error or a cut connection; what was kept is not known. ours : a slip in a statement.
    A server's error at a commit (which has no statement) is unknown. SQLite's is told by the roll-back that came after
    it: had that failed, its error would be here in the place of this one.
    """
    code = getattr(error.orig, "sqlstate", None)
    certain = error.statement is not None and not error.connection_invalidated
    if isinstance(error.orig, sqlite3.Error):
        code, certain = getattr(error.orig, "sqlite_errorcode", 0) & 0xFF, True
    if code in HELD | FULL:
        return ("held" if code in HELD else "full") if certain else "unknown"
    # what libpq says of a line that was cut has no code, and so no class of its own
    return "unknown" if error.connection_invalidated or isinstance(error, OperationalError) else "ours"
