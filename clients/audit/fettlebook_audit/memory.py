"""What the last check came to, kept in the copy: where it ended, over which files, and the numbers of every page.

A file of SQLite, since a book may have more pages than memory should hold.
"""

import sqlite3
from collections.abc import Iterator, MutableMapping
from pathlib import Path

from fettlebook_audit.checking import Start

Damaged = sqlite3.DatabaseError
MOST = 100_000  # pages held in memory at a time
TABLES = """
CREATE TABLE IF NOT EXISTS state (size INTEGER, edge BLOB, recorded_at TEXT, stamp BLOB);
CREATE TABLE IF NOT EXISTS page (subject TEXT PRIMARY KEY, next INTEGER) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS span (number INTEGER PRIMARY KEY, hash BLOB);
"""


class Pages(MutableMapping[str, int]):
    """The next running number of each subject's page."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection
        self._fresh: dict[str, int] = {}
        self._kept = bool(connection.execute("SELECT 1 FROM page LIMIT 1").fetchone())

    def __getitem__(self, subject: str) -> int:
        found = self._fresh.get(subject)
        if found is None and self._kept:
            row = self._connection.execute("SELECT next FROM page WHERE subject = ?", (subject,)).fetchone()
            found = row and row[0]
        if found is None:
            raise KeyError(subject)
        if type(found) is not int:
            raise Damaged(f"{found!r} is no number of a page")
        return found

    def __setitem__(self, subject: str, number: int) -> None:
        self._fresh[subject] = number
        if len(self._fresh) > MOST:
            self.settle()

    def settle(self) -> None:
        """Put what is held in memory into the file's open transaction."""
        self._connection.executemany("INSERT OR REPLACE INTO page VALUES (?, ?)", self._fresh.items())
        self._fresh.clear()
        self._kept = True

    def __delitem__(self, subject: str) -> None:
        raise NotImplementedError("a page is never forgotten")

    def __iter__(self) -> Iterator[str]:
        raise NotImplementedError("there may be too many")

    def __len__(self) -> int:
        raise NotImplementedError("there may be too many")


class Memory:
    """In the copy where it can be written, else in this process alone. Nothing is kept before `keep`."""

    def __init__(self, file: Path) -> None:
        try:
            self._connection = self._opened(str(file))
        except sqlite3.Error:
            file.unlink(missing_ok=True)  # it can be made again at any time
            try:
                self._connection = self._opened(str(file))
            except sqlite3.Error:
                self._connection = self._opened("")
        self.pages = Pages(self._connection)

    def _opened(self, where: str) -> sqlite3.Connection:
        connection = sqlite3.connect(where, isolation_level=None)
        try:
            connection.executescript(TABLES)
            connection.execute("BEGIN IMMEDIATE")
        except sqlite3.Error:
            connection.close()
            raise
        return connection

    def start(self) -> tuple[Start, bytes] | None:
        """Where the last check ended, and the stamp of the files that it had read; None when there was none.

        Raises Damaged.
        """
        row = self._connection.execute("SELECT size, edge, recorded_at, stamp FROM state").fetchone()
        if row is None:
            return None
        size, edge, at, stamp = row
        if [int, bytes, str, bytes] != [type(each) for each in row] or len(edge) != 32 * size.bit_count():
            raise Damaged("it says no place where a check ended")
        return Start(size, tuple(edge[n : n + 32] for n in range(0, len(edge), 32)), at), stamp

    def forget(self) -> None:
        for table in ("state", "page", "span"):
            self._connection.execute(f"DELETE FROM {table}")
        self.pages = Pages(self._connection)

    def span(self, number: int) -> bytes:
        """The root over a full tile that was checked. Raises Damaged."""
        row = self._connection.execute("SELECT hash FROM span WHERE number = ?", (number,)).fetchone()
        if row is None or type(row[0]) is not bytes:
            raise Damaged(f"it lacks the root over tile {number}")
        return bytes(row[0])

    def advance(self, start: Start, first: int, spans: list[bytes]) -> None:
        """So far a check has come: over whole tiles, those from `first` on new."""
        self.pages.settle()
        self._connection.execute("DELETE FROM state")
        self._connection.execute(
            "INSERT INTO state VALUES (?, ?, ?, x'')", (start.size, b"".join(start.edge), start.recorded_at)
        )
        self._connection.executemany("INSERT OR REPLACE INTO span VALUES (?, ?)", enumerate(spans, first))

    def keep(self, stamp: bytes) -> None:
        """Nothing was wrong: the next check goes on from here."""
        self._connection.execute("UPDATE state SET stamp = ?", (stamp,))
        self._connection.execute("COMMIT")

    def close(self) -> None:
        self._connection.close()
