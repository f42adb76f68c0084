"""Everything of a book that can be found wrong from the inside, and what only somebody outside can know.

A cut tail, a fork that was signed anew and an old backup leave a store that agrees with itself. Only a root that
somebody kept shows them: a certificate in a customer's hand, or a checkpoint.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from hashlib import sha256
from pathlib import Path

from sqlalchemy import select

from service_api.app import Store
from service_api.directory import tables as directory
from service_api.log import driver, seal
from service_api.log.keys import Keys, KeyTrouble
from service_api.log.merkle import Frontier
from service_api.log.store import Book
from service_api.ops.certified import hold
from service_api.ops.leaves import Leaves, Progress
from service_api.ops.redraw import compared
from service_api.ops.remembered import Paper
from service_api.ops.said import look_at_said
from service_api.ops.wrongs import Wrongs

NEED_MEMORY = {
    "cut tail": "that no entries were cut off at the end",
    "fork signed anew": "that no entry was altered and everything after it made again",
    "old backup": "that this is not an older state, restored",
}


@dataclass
class Verified:
    """What was found. needs_memory : what cannot be known without an outside memory, in words"""

    entries: int
    wrongs: Wrongs = field(default_factory=Wrongs)
    needs_memory: dict[str, str] = field(default_factory=dict)


def verify(
    store: Store, book: Book, papers: Sequence[Paper] = (), quick: bool = False, progress: Progress = lambda _: None
) -> Verified:
    """Look through the log and all that hangs on it; nothing is changed. Appends may go on meanwhile.

    What the receipts said, the directory and the settings of a book lie outside the tree: they are not proved.

    papers : what somebody outside remembers
    quick : leaves, tree, indexes and numbers only
    """
    ask = store.quickly
    size, edge, root, recorded_at = read_head(ask, book)
    found = Verified(size)
    leaves = Leaves(ask, book.number, size, [p.size for p in papers], form=not quick).look(progress)
    leaves.against(root)
    found.wrongs = leaves.wrongs
    _head(found, leaves, edge, root, recorded_at)
    _beyond(store, book, found)
    _seal(store, found)
    _keys(store.keys(book), found)
    _papers(store, book, found, leaves, papers)
    if not quick:
        look_at_said(store.quickly, book.number, size, found.wrongs)
        _attachments(store, book, found)
        _drawn(store, book, found)
    return found


_HEAD = "SELECT size, edge, root, recorded_at FROM log_head WHERE book = ?"
_ENDS = (
    "SELECT (SELECT max(log_index) FROM entry WHERE book = ?), (SELECT max(log_index) FROM receipt WHERE book = ?),"
    " (SELECT count(*) FROM entry_id WHERE book = ?)"
)


def read_head(ask: driver.Ask, book: Book) -> tuple[int, bytes, bytes, str]:
    """Size, edge, root and last moment; what has another type than the service writes counts as nothing."""
    ((size, edge, root, recorded_at),) = ask(_HEAD, (book.number,))
    edge, root = (each if type(each) is bytes else b"" for each in (edge, root))
    return size if type(size) is int else 0, edge, root, str(recorded_at)


def _head(found: Verified, leaves: Leaves, edge: bytes, root: bytes, recorded_at: str) -> None:
    try:
        stands = Frontier.unpack(found.entries, edge).root() == root
    except ValueError:
        stands = False
    if not stands:
        found.wrongs.add(
            "edited", None, f"the head's edge of the tree is not that of its {found.entries} entries and root"
        )
    if recorded_at.encode() != leaves.recorded_at:
        found.wrongs.add("edited", None, "the head's last recorded moment is not that of the last entry")


def _beyond(store: Store, book: Book, found: Verified) -> None:
    ((entry, receipt, ids),) = store.quickly(_ENDS, (book.number,) * 3)
    size = read_head(store.quickly, book)[0]  # afterwards: it may have grown since
    last = max(-1 if entry is None else entry, -1 if receipt is None else receipt)
    if last >= size:
        found.wrongs.add("inserted", size, "beyond the end that the head of the log knows", last)
    if ids > size:
        found.wrongs.add("inserted", None, f"the store knows {ids} ids, and has {size} entries")


def _seal(store: Store, found: Verified) -> None:
    with store.reading.connect() as connection:
        for table, missing in seal.broken(connection).items():
            found.wrongs.add("unsealed", None, f"{table} can be changed: {', '.join(missing)} is gone")


def _keys(keys: Keys, found: Verified) -> None:
    try:
        signer, published = keys.signer(), [p.verifier for p in keys.published()]
    except KeyTrouble as trouble:
        found.wrongs.add("badly signed", None, str(trouble))
        return
    if signer is not None and signer.verifier not in published:
        found.wrongs.add("badly signed", None, f"{keys.secret} is not the secret of a key that was published")


def _papers(store: Store, book: Book, found: Verified, leaves: Leaves, papers: Sequence[Paper]) -> None:
    good = 0
    for paper in sorted(papers, key=lambda p: p.size):
        if paper.size > found.entries:
            words = f"{paper.name} remembers {paper.size} entries, and the book has {found.entries}"
            found.wrongs.add("rolled back", found.entries, words, paper.size - 1)
        elif paper.size not in leaves.roots:
            continue  # entries are gone, which has been said
        elif leaves.roots[paper.size] != paper.root:
            words = f"these entries are not those that {paper.name} remembers"
            found.wrongs.add("forked", good, words, max(paper.size - 1, good))
        else:
            good = paper.size
            hold(store, book, found.entries, paper, found.wrongs)
    if good == 0:
        found.needs_memory = dict(NEED_MEMORY)
    elif good < found.entries:
        since = f"of the entries from {good} on, which no paper remembers"
        found.needs_memory = {what: f"{words}, {since}" for what, words in NEED_MEMORY.items()}


def _attachments(store: Store, book: Book, found: Verified) -> None:
    folder = store.attachments / str(book.number)
    table = directory.attachment
    with store.reading.connect() as connection:
        named = list(connection.execute(select(table.c.sha256).where(table.c.book == book.number)).scalars())
    for digest in sorted(named):
        words = _attachment(folder / digest, digest)
        if words:
            found.wrongs.add("missing" if "gone" in words else "edited", None, f"attachment {digest} {words}")


def _attachment(file: Path, digest: str) -> str:
    hashed = sha256()
    try:
        with file.open("rb") as opened:
            while block := opened.read(1 << 20):
                hashed.update(block)
    except OSError as error:
        return f"is gone: {error.strerror}"
    return "" if hashed.hexdigest() == digest else "has other bytes than when it came"


def _drawn(store: Store, book: Book, found: Verified) -> None:
    """What is computed from the log and stored; not looked at while the log itself is in doubt."""
    if any(wrong.how not in ("unsealed", "badly signed") for wrong in found.wrongs):
        return
    for table, (rows, key) in compared(store, book).items():
        words = f"{rows} row{'s' if rows > 1 else ''} of {table} not what the log says, such as {key}"
        found.wrongs.add("stale", None, words)
