"""Where entries stand, and where their texts say that they do: index, recorded moment, number on the subject's page."""

import re
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from itertools import count

import orjson

from service_api.ops.wrongs import Wrongs

_INDEX = b',"index":'
_NUMBER = rb"[1-9]\d{0,15}+|0"
_PLAIN = rb'"[^"]*+"'  # a word without a backslash
_WORD = rb'"[^"\\]*+(?:"|(?:\\.[^"\\]*+)++")'


def _place(word: bytes) -> re.Pattern[bytes]:
    """What stands in a canonical text from the book's own index on: words, numbers and closed records.

    Nothing behind `data` can be taken for one of these members. Written so that nothing is tried twice: `++` gives
    nothing back, and an alternative to nothing is quicker than `?`.
    """
    return re.compile(
        rb'%(i)b(%(n)b),(?:"job":%(w)b,|)"occurred_at":"[^"]*+","recorded_at":"([^"]*+)","recorded_by":%(w)b,'
        rb'(?:"seen_index":\d++,|)"seq":(%(n)b),(?:"signed":\{[^{}]*+\},|)(?:"site":%(w)b,|)'
        rb'(?:"source":\{(?:[^"{}]|%(w)b)*+\},|)"subject":"([^"]*+)"' % {b"i": _INDEX, b"n": _NUMBER, b"w": word}
    )


_WITH_ANY, _WITH_PLAIN = _place(_WORD), _place(_PLAIN)
Place = tuple[bytes, bytes, bytes, bytes]  # index, recorded moment, running number and subject


def stated(texts: Iterable[bytes]) -> list[Place]:
    """What each of these canonical texts says of its place. Raises ValueError where one is no entry.

    They are read in one go, each from its last index on. Behind a line's end an index begins nothing but such a part,
    so that as many finds as texts are one for each, from its index and no further than its end.
    """
    parts = [text[text.rfind(_INDEX) :] for text in texts]
    lines = b"\n".join(parts)
    found = (_WITH_ANY if b"\\" in lines else _WITH_PLAIN).findall(lines)
    if len(found) != len(parts):
        raise ValueError("it is no entry")
    return found


def _digits(numbers: Sequence[int]) -> bytes:
    """With commas between, as canonical texts write them."""
    return orjson.dumps(numbers)[1:-1]


class Order:
    """Whether each entry stands where its text says that it does; to be read in the order of the log.

    recorded_at : the last recorded moment so far
    """

    def __init__(self, wrongs: Wrongs) -> None:
        self.wrongs = wrongs
        self.recorded_at = b""
        self._pages: defaultdict[bytes, count[int]] = defaultdict(count)  # each gives the number that is next
        self._jumped: set[bytes] | None = None  # pages seen since an entry was lost, whose numbers may have jumped

    def lost(self) -> None:
        """An entry cannot be read."""
        self._jumped = set()

    def read(self, first: int, texts: Sequence[bytes]) -> None:
        if self._jumped is not None or not self._as_it_should_be(first, texts):
            for index, text in enumerate(texts, first):
                self._read_one(index, text)

    def _as_it_should_be(self, first: int, texts: Sequence[bytes]) -> bool:
        """Every one is in its place; else nothing counts as read."""
        try:
            places, moments, numbers, subjects = zip(*stated(texts), strict=True)
        except ValueError:
            return False
        follow = [self.recorded_at, *moments]
        if b",".join(places) != _digits([*range(first, first + len(texts))]) or sorted(follow) != follow:
            return False
        if not self._next_on_their_pages(subjects, b",".join(numbers)):
            return False
        self.recorded_at = moments[-1]
        return True

    def _next_on_their_pages(self, subjects: Sequence[bytes], numbers: bytes) -> bool:
        if _digits(list(map(next, map(self._pages.__getitem__, subjects)))) == numbers:
            return True
        for subject, times in Counter(subjects).items():
            self._pages[subject] = count(next(self._pages[subject]) - times)
        return False

    def _read_one(self, index: int, text: bytes) -> None:
        try:
            ((place, at, number, subject),) = stated([text])
        except ValueError:
            self.wrongs.add("edited", index, "it is no entry")
            self.lost()
            return
        seq, wanted = int(number), next(self._pages[subject])
        self._pages[subject] = count(seq + 1)
        if seq != wanted or int(place) != index or at < self.recorded_at:
            self._misplaced(index, int(place), at, subject, seq, wanted)
        else:
            self.recorded_at = at
        if self._jumped is not None:
            self._jumped.add(subject)

    def _misplaced(self, index: int, place: int, at: bytes, subject: bytes, seq: int, wanted: int) -> None:
        if place != index:
            self.wrongs.add("reordered", index, f"its text says that it is entry {place}")
        if seq != wanted:
            self._off_its_page(index, subject, seq, wanted)
        if at < self.recorded_at:
            self.wrongs.add("reordered", index, "it was recorded before the entry before it")
        self.recorded_at = max(at, self.recorded_at)

    def _off_its_page(self, index: int, subject: bytes, seq: int, wanted: int) -> None:
        if self._jumped is not None and subject not in self._jumped and seq > wanted:
            return  # what lies between is missing, which has been said
        words = f"it is number {seq} on the page of {subject.decode(errors='replace')}, where {wanted} belongs"
        self.wrongs.add("missing" if seq > wanted else "inserted", index, words)
