"""The check of a unit's bundle: a file that proves itself. No I/O.

In this order:
1. Checkpoint and head are signed by one key of the book, and the head is of this unit and of the checkpoint's size.
2. Every entry's proof leads from its text, or from the leaf in its place, to the signed root.
3. The entries rise, each stands at the index that its text says, and none was recorded before the one before it.
4. Those of other pages are those that the head names; those of the unit's own page are numbered from 0 to the head's
   last without a gap, where each leaf without text counts for one.
What is proved: that each of these entries stands so in the signed book. What the head states beside it, and only a
check of the whole book can prove: that there are no others.
"""

import json
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from fettlebook_audit.faults import MOST, Fault, How
from fettlebook_audit.notes import Checkpoint, Key, NoteError, open_note, read_key, read_stated
from fettlebook_audit.tree import BadProof, check_inclusion, leaf_hash

LARGEST = 64 * 1024 * 1024  # bytes of a bundle
LONGEST_HEAD = 1_000_000
HEAD = "fettlebook.unit-head/v1"


class BundleError(ValueError):
    """It is no bundle, and why."""


@dataclass(frozen=True)
class Line:
    """An entry of a bundle; a sealed one has no text."""

    index: int
    leaf: bytes
    proof: list[bytes]
    entry: dict[str, Any] | None = None
    unreadable: bool = False


@dataclass(frozen=True)
class Head:
    size: int
    seq: int
    others: frozenset[int]


@dataclass(frozen=True)
class Bundle:
    """A bundle that could be read; nothing of it is checked yet."""

    origin: str
    unit: str
    checkpoint: str
    key: str
    head: str
    lines: list[Line]


@dataclass
class Proved:
    """What a bundle came to. attachments : the digests that its entries name; earlier : of another book's bundle"""

    checkpoint: Checkpoint
    key: Key
    faults: list[Fault] = field(default_factory=list)
    sealed: int = 0
    attachments: dict[str, int] = field(default_factory=dict)
    earlier: str | None = None


def read_bundle(content: bytes) -> Bundle:
    """Raises BundleError."""
    if content.lstrip(b" \t\r\n")[:1] != b"{":
        raise BundleError("no bundle: it is not a JSON object")
    try:
        value = json.loads(content)
        texts = {name: value[name] for name in ("origin", "unit", "checkpoint", "key", "head")}
        if not all(isinstance(text, str) for text in texts.values()) or not isinstance(value["entries"], list):
            raise BundleError("no bundle: origin, unit, checkpoint, key and head are texts, entries a list")
        return Bundle(**texts, lines=[_line(each) for each in value["entries"]])
    except KeyError as error:
        raise BundleError(f"no bundle: it has no {error}") from None
    except (ValueError, TypeError, AttributeError, RecursionError) as error:
        raise BundleError(str(error) if isinstance(error, BundleError) else f"no bundle: {error}") from None


def _line(value: Any) -> Line:
    index, proof = value["index"], [bytes.fromhex(each) for each in value["proof"]]
    if type(index) is not int or any(len(each) != 32 for each in proof):
        raise BundleError("no bundle: an entry is {index, hashed, proof} or {index, leaf, proof}")
    if "hashed" not in value:
        return Line(index, bytes.fromhex(value["leaf"]), proof)
    text = value["hashed"].encode()
    try:
        entry = json.loads(text)
        good = all(type(entry[n]) is t for n, t in (("index", int), ("seq", int), ("subject", str), ("type", str)))
        good = good and isinstance(entry["recorded_at"], str) and isinstance(entry["data"], dict)
    except (ValueError, KeyError, TypeError, RecursionError):
        good = False
    return Line(index, leaf_hash(text), proof, entry if good else None, not good)


def check_bundle(bundle: Bundle, keys: Sequence[Key] = ()) -> Proved:
    """Check a bundle; by the key that came with it where none is given, which proves less.

    Raises NoteError when checkpoint or head are not signed so, or are not of this unit.
    """
    own = read_key(bundle.key)
    trusted = [key for key in keys if key.name == bundle.origin] or ([own] if not keys else [])
    if not trusted:
        raise NoteError(f"the bundle is of {bundle.origin}, and no key of that book was given")
    text, by = open_note(bundle.checkpoint.encode(), trusted)
    checkpoint = read_stated(text)
    if checkpoint.origin != bundle.origin:
        raise NoteError(f"the checkpoint is of {checkpoint.origin}, and the bundle of {bundle.origin}")
    head = _head(bundle, trusted, checkpoint)
    found = Proved(checkpoint, by[0][0])
    _Walk(bundle, head, found).walk()
    return found


def _head(bundle: Bundle, keys: Sequence[Key], checkpoint: Checkpoint) -> Head:
    text, _ = open_note(bundle.head.encode(), keys, LONGEST_HEAD)
    lines = text.split("\n")
    if len(lines) != 7 or lines[0] != HEAD:
        raise NoteError("the head is no statement of a unit")
    if lines[1:3] != [bundle.origin, bundle.unit]:
        raise NoteError(f"the head is of {lines[2]} of {lines[1]}, and the bundle of {bundle.unit} of {bundle.origin}")
    try:
        others = frozenset() if lines[5] == "-" else frozenset(map(int, lines[5].split(" ")))
        head = Head(int(lines[3]), int(lines[4]), others)
    except ValueError:
        raise NoteError("the head is no statement of a unit") from None
    if head.size != checkpoint.size:
        raise NoteError(f"the head is of {head.size} entries, and the checkpoint of {checkpoint.size}")
    return head


class _Walk:
    def __init__(self, bundle: Bundle, head: Head, found: Proved) -> None:
        self.bundle, self.head, self.found = bundle, head, found
        self.page = f"unit:{bundle.unit}"
        self.last = -1  # index
        self.recorded_at = ""
        self.next = 0  # on the unit's own page
        self.sealed = 0  # own leaves without text since the last own entry
        self.after = 0  # the entry after which the next number is looked for

    def walk(self) -> None:
        others: set[int] = set()
        for line in self.bundle.lines:
            self._prove(line)
            if line.index <= self.last:
                self._fault("reordered", line.index, f"it stands after entry {self.last}")
            self.last = max(self.last, line.index)
            if line.entry is not None:
                self._text(line, line.entry)
            if line.entry is not None and line.entry["subject"] == self.page:
                self._own(line.index, line.entry["seq"])
            elif line.index in self.head.others:
                others.add(line.index)
            elif line.entry is not None:
                words = f"it is of {line.entry['subject']}, and the signed head does not name it"
                self._fault("inserted", line.index, words)
            else:
                self.sealed += 1
        for index in sorted(self.head.others - others):
            self._fault("missing", index, "the signed head names it, and the bundle lacks it")
        self._numbers(self.head.seq + 1, self.head.size)

    def _prove(self, line: Line) -> None:
        try:
            checkpoint = self.found.checkpoint
            check_inclusion(line.leaf, line.index, checkpoint.size, line.proof, checkpoint.root)
        except BadProof as error:
            self._fault("edited", line.index, str(error))
        if line.unreadable:
            self._fault("edited", line.index, "it is no entry of a book")
        elif line.entry is None:
            self.found.sealed += 1

    def _text(self, line: Line, entry: dict[str, Any]) -> None:
        if entry["index"] != line.index:
            self._fault("reordered", line.index, f"its text says that it is entry {entry['index']}")
        if entry["recorded_at"] < self.recorded_at:
            self._fault("reordered", line.index, "it was recorded before the entry before it")
        self.recorded_at = max(self.recorded_at, entry["recorded_at"])
        if entry["type"] == "unit.registered" and entry["subject"] == self.page:
            self.found.earlier = entry["data"].get("earlier")
        for each in entry.get("attachments") or ():
            self.found.attachments.setdefault(each["sha256"], line.index)

    def _own(self, index: int, seq: int) -> None:
        self._numbers(seq, index)
        self.next, self.after = seq + 1, index

    def _numbers(self, seq: int, before: int) -> None:
        """Between the last own entry and this one there are as many leaves without text as numbers are left open."""
        gap = seq - self.next
        if gap > self.sealed:
            lacking = gap - self.sealed
            what = (
                f"number {self.next}" if lacking == 1 and gap == 1 else f"{lacking} of numbers {self.next} to {seq - 1}"
            )
            words = (
                f"{what} on the page of {self.page}: between the entries {self.after} and {before} the bundle lacks it"
            )
            self._fault("missing", self.after, words, before)
        elif gap < self.sealed:
            what = "too many entries" if gap >= 0 else f"number {seq} came before"
            self._fault("inserted", self.after, f"{what} on the page of {self.page}", before)
        self.sealed = 0

    def _fault(self, how: How, first: int, says: str, last: int | None = None) -> None:
        if len(self.found.faults) < MOST:
            self.found.faults.append(Fault(how, first, first if last is None else last, says))
