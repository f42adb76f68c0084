"""Runs a check over a copy on disk: from the beginning, or from where the last one ended while its files stand."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from fettlebook_audit import tiles
from fettlebook_audit.checking import Check, Start
from fettlebook_audit.copies import Copy, CopyError, Stamp
from fettlebook_audit.faults import MOST, Fault
from fettlebook_audit.memory import Damaged, Memory
from fettlebook_audit.notes import Checkpoint
from fettlebook_audit.papers import Paper
from fettlebook_audit.tree import HEIGHT, Edge, tile_root

Progress = Callable[[int], None]
MEMORY = "verified"


@dataclass(frozen=True)
class Checked:
    """What a check came to.

    size : entries of the book; read : of them, those that were read now; seen : checkpoints it was held against
    """

    faults: list[Fault]
    size: int
    read: int
    seen: int


def checked(
    copy: Copy, papers: Sequence[Paper] = (), everything: bool = False, progress: Progress = lambda _: None
) -> Checked:
    """Check the copy against every checkpoint that was ever seen, and these papers.

    everything : read all of it, also what was checked before and has not changed
    Raises CopyError when it has no checkpoint to be held against.

    What the last check remembered may be damaged: nothing is called wrong by it before all was read again.
    """
    try:
        found = _checked(copy, papers, everything, progress)
        if not found.faults or found.read == found.size:
            return found
    except Damaged:
        (copy.folder / MEMORY).unlink(missing_ok=True)
    return _checked(copy, papers, True, progress)


def _checked(copy: Copy, papers: Sequence[Paper], everything: bool, progress: Progress) -> Checked:
    signed: list[Checkpoint] = []
    faults: list[Fault] = copy.forks()
    for name, found in copy.checkpoints():
        if isinstance(found, Checkpoint):
            signed.append(found)
        else:
            faults.append(Fault("badly signed", None, None, f"{name}: {found}"))
    if not signed and not faults:
        raise CopyError(f"{copy.folder} has no checkpoint: fetch the book first")
    size = max((c.size for c in signed), default=0)
    memory = Memory(copy.folder / MEMORY)
    try:
        start, stamp = _start(copy, memory, size, everything)
        inside = [p for p in papers if p.size <= size]
        faults += [p.beyond(size) for p in papers if p.size > size]
        claims = [*signed, *(p.checkpoint for p in inside)]
        faults += _earlier(copy, memory, start, claims)
        book = _run(copy, memory, start, claims, size, progress)
        faults += book.faults
        faults += [fault for p in inside if (fault := _entry_fault(copy, p, size)) is not None]
        if not faults and (stands := stamp.until(size // tiles.WIDTH)):
            memory.keep(stands)
    finally:
        memory.close()
    return Checked(faults[:MOST], book.size, book.size - start.size, len(signed))


def _start(copy: Copy, memory: Memory, size: int, everything: bool) -> tuple[Start, Stamp]:
    """Where the check begins, and the stamp of the files before that, which goes on with it."""
    found = memory.start()
    if found is not None:
        start, kept = found
        stamp = Stamp(copy)
        if not everything and start.size <= size and stamp.until(start.size // tiles.WIDTH) == kept:
            return start, stamp
    memory.forget()
    return Start(), Stamp(copy)


def _run(
    copy: Copy, memory: Memory, start: Start, claims: Sequence[Checkpoint], size: int, progress: Progress
) -> Check:
    book = Check(claims, memory.pages, start)
    first = start.size // tiles.WIDTH
    for number, width in tiles.of(size, first):
        if width < tiles.WIDTH:
            _advance(memory, book, first)
        _tile(copy, book, number, width)
        progress(width)
    if size % tiles.WIDTH == 0:
        _advance(memory, book, first)
    book.end()
    return book


def _advance(memory: Memory, book: Check, first: int) -> None:
    if not book.faults:
        memory.advance(Start(book.size, book.edge, book.recorded_at), first, book.spans)


def _tile(copy: Copy, book: Check, number: int, width: int) -> None:
    first = number * tiles.WIDTH
    texts: list[bytes] | None = None
    hashes: list[bytes] | None = None
    for kind in ("entries", "0"):
        try:
            content = copy.read(kind, number, width)
            if kind == "0":
                hashes = tiles.hashes(content, width)
            else:
                texts = tiles.texts(content, width)
        except FileNotFoundError as error:
            book.lost("missing", first, width, f"{error.filename} is not there")
        except (ValueError, OSError) as error:
            book.lost("damaged", first, width, f"{tiles.path(kind, number, width)}: {error}")
    book.tile(width, texts, hashes)


def _earlier(copy: Copy, memory: Memory, start: Start, claims: Sequence[Checkpoint]) -> list[Fault]:
    """Hold what was checked before against the checkpoints that end within it."""
    faults: list[Fault] = []
    edge, good = Edge(), 0
    for claim in sorted((c for c in set(claims) if c.size < start.size), key=lambda c: (c.size, c.root)):
        while edge.size + tiles.WIDTH <= claim.size:
            edge.push(memory.span(edge.size // tiles.WIDTH), HEIGHT)
        leaves: list[bytes] = []
        if claim.size > edge.size:
            number = edge.size // tiles.WIDTH
            leaves = tiles.hashes(copy.read("0", number, tiles.WIDTH), tiles.WIDTH)
            if tile_root(leaves) != memory.span(number):
                raise Damaged("its roots are not those of the files, or these changed meanwhile")
        if edge.root(leaves[: claim.size - edge.size]) == claim.root:
            good = claim.size
        else:
            words = f"these entries are not what the root of {claim.said_by} was made from"
            faults.append(Fault("forked", good, max(claim.size - 1, good), words))
    return faults


def _entry_fault(copy: Copy, paper: Paper, size: int) -> Fault | None:
    """What is wrong with the entry that a certificate says is its own."""
    if paper.index is None:
        return None
    if paper.index >= size:
        return Fault(
            "missing", paper.index, paper.index, f"{paper.name} is entry {paper.index}, and the copy ends before"
        )
    number = paper.index // tiles.WIDTH
    width = min(tiles.WIDTH, size - number * tiles.WIDTH)
    try:
        texts = tiles.texts(copy.read("entries", number, width), width)
    except (ValueError, OSError):
        return None  # which the check has told
    return paper.entry_fault(texts[paper.index - number * tiles.WIDTH])
