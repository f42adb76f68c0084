"""Takes a book away, or what is new of it: asks only for what is not there, and keeps every checkpoint that it sees.

Before anything of a longer book is believed its service has to prove that it goes on from the longest one seen.
"""

import json
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Protocol

from fettlebook_audit import tiles
from fettlebook_audit.copies import Copy
from fettlebook_audit.faults import MOST, Fault
from fettlebook_audit.notes import LONGEST, Checkpoint, read_checkpoint
from fettlebook_audit.transport import Unanswered
from fettlebook_audit.tree import BadProof, check_consistency

Progress = Callable[[int], None]
SERVER = 500


class Asked(Protocol):
    """What a book is fetched from; see `transport.Service`."""

    def get(self, path: str, largest: int) -> bytes: ...


@dataclass
class Fetched:
    """now : the checkpoint of the service; None when it gives none"""

    now: Checkpoint | None = None
    files: int = 0
    faults: list[Fault] = field(default_factory=list)


def fetch(
    copy: Copy,
    service: Asked,
    progress: Callable[[int], Progress] = lambda _: lambda _: None,
    everything: bool = False,
) -> Fetched:
    """progress : given the number of tiles that the book has, it gives what is called for every one that is there.
    everything : ask again for what is there, and hold it against what was fetched before

    Raises NoteError for a checkpoint that no known key has signed, CopyError, Unanswered, Unreachable.
    """
    keys = copy.keys()
    newest = copy.newest()
    try:
        note = service.get("log/checkpoint", LONGEST)
    except Unanswered as error:
        if error.status < SERVER or newest is None:
            raise
        words = f"the service answers {error.status} where its checkpoint belongs, and had one of {newest.size} entries"
        return Fetched(faults=[Fault("missing", None, None, words)])
    now = read_checkpoint(note, keys)
    found = Fetched(now)
    if newest is not None and newest.size > now.size:
        words = f"the book has {now.size} entries, and had {newest.size}"
        found.faults.append(Fault("rolled back", now.size, newest.size - 1, words))
    fault = None if newest is None else fork(service, newest, now)
    if fault is not None and newest is not None:
        fault = located(copy, service, newest, now) or fault
        copy.forked(note, now, fault)
        found.faults.append(fault)
        return found
    copy.remember(note, now)
    if not found.faults:
        _fetch_tiles(copy, service, now, found, progress, everything)
    return found


def fork(service: Asked, seen: Checkpoint, now: Checkpoint) -> Fault | None:
    """What is wrong when a service cannot prove that one of its checkpoints begins the other."""
    old, new = sorted((seen, now), key=lambda c: c.size)
    try:
        proof = [] if old.size in (0, new.size) else consistency(service, old.size, new.size)
        check_consistency(old.size, old.root, new.size, new.root, proof)
    except Unanswered as error:
        return Fault(
            "missing", None, None, f"the service does not prove that {new.size} entries begin with {old.size}: {error}"
        )
    except (BadProof, ValueError) as error:
        words = f"{old.size} entries that were signed do not begin the {new.size} that are: {error}"
        return Fault("forked", 0, max(old.size - 1, 0), words)
    return None


def consistency(service: Asked, old: int, new: int) -> list[bytes]:
    """Raises ValueError for what is no proof."""
    said = json.loads(service.get(f"log/proof/consistency?from={old}&to={new}", LONGEST))
    try:
        return [bytes.fromhex(each) for each in said["hashes"]]
    except (KeyError, TypeError):
        raise ValueError("the answer is no proof") from None


def located(copy: Copy, service: Asked, seen: Checkpoint, now: Checkpoint) -> Fault | None:
    """The first and last entry of which the service has another hash now than this copy; None when it has no other."""
    other: list[int] = []
    for number, width in tiles.of(min(seen.size, now.size)):
        try:
            theirs = tiles.hashes(service.get(f"log/tile/{tiles.path('0', number, width)}", tiles.LARGEST["0"]), width)
            kept = _kept_hashes(copy, number, seen.size)
        except (ValueError, OSError, Unanswered):
            continue
        other += [number * tiles.WIDTH + at for at, (a, b) in enumerate(zip(kept, theirs, strict=False)) if a != b]
        if len(other) > MOST:
            break
    if not other:
        return None
    words = f"the service has another entry {other[0]} now than when {seen.size} entries were signed"
    return Fault("forked", other[0], other[-1], words)


def _kept_hashes(copy: Copy, number: int, size: int) -> list[bytes]:
    width = min(tiles.WIDTH, size - number * tiles.WIDTH)
    return tiles.hashes(copy.read("0", number, width), width)


def _fetch_tiles(
    copy: Copy,
    service: Asked,
    now: Checkpoint,
    found: Fetched,
    progress: Callable[[int], Progress],
    everything: bool,
) -> None:
    further = progress(-(-now.size // tiles.WIDTH))
    for number, width in tiles.of(now.size):
        for kind in ("entries", "0"):
            if (everything or not copy.has(kind, number, width)) and len(found.faults) < MOST:
                _fetch_tile(copy, service, kind, number, width, found)
        further(1)


def _fetch_tile(copy: Copy, service: Asked, kind: str, number: int, width: int, found: Fetched) -> None:
    first = number * tiles.WIDTH
    path = f"log/tile/{tiles.path(kind, number, width)}"
    try:
        content = service.get(path, tiles.LARGEST[kind])
        _form(kind, content, width)
    except Unanswered as error:
        if error.status < SERVER and error.status != 404:
            raise
        at = first + _longest(service, kind, number, width)
        found.faults.append(Fault("missing", at, first + width - 1, f"the service does not give entry {at}: {error}"))
    except ValueError as error:
        found.faults.append(Fault("damaged", first, first + width - 1, f"{path}: {error}"))
    else:
        if not copy.has(kind, number, width):
            copy.keep(kind, number, width, content)
            found.files += 1
        elif content != copy.read(kind, number, width):
            found.faults += _others(kind, first, copy.read(kind, number, width), content, width)


def _longest(service: Asked, kind: str, number: int, width: int) -> int:
    """How many of a tile's entries the service gives, counted from its first: narrower tiles are tiles too."""
    low, high = 0, width - 1
    while low < high:
        middle = (low + high + 1) // 2
        try:
            service.get(f"log/tile/{tiles.path(kind, number, middle)}", tiles.LARGEST[kind])
            low = middle
        except (Unanswered, ValueError):
            high = middle - 1
    return low


def _form(kind: str, content: bytes, width: int) -> list[bytes]:
    return tiles.hashes(content, width) if kind == "0" else tiles.texts(content, width)


def _others(kind: str, first: int, before: bytes, now: bytes, width: int) -> list[Fault]:
    """Where a tile is another than when it was fetched."""
    words = "the service gives another text of it now than it did" if kind != "0" else "its hash is another than it was"
    pairs = enumerate(zip(_form(kind, before, width), _form(kind, now, width), strict=True), first)
    return [Fault("edited" if kind != "0" else "damaged", at, at, words) for at, (a, b) in pairs if a != b]
