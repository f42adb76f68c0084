"""Texts read many at a time: whatever stands in one, it says what it says alone, and nothing for another."""

import pytest

from service_api.ops.order import Order, stated
from service_api.ops.wrongs import Wrongs

AT = "2026-01-01T00:00:00.000000Z"
LATER = "2026-01-02T00:00:00.000000Z"


def text(index: int, seq: object = 0, subject: str = "unit:U-1", *, at: str = AT, data: str = "{}", job: str = ""):
    """As the book writes an entry (DESIGN 4); `job` with its quotes."""
    named = f'"job":{job},' if job else ""
    return (
        f'{{"by":"b.one","data":{data},"index":{index},{named}"occurred_at":"{AT}","recorded_at":"{at}",'
        f'"recorded_by":"t-1","seq":{seq},"subject":"{subject}","type":"unit.scanned","v":1}}'
    ).encode()


def place(index: int, seq: int = 0, subject: bytes = b"unit:U-1"):
    return b"%d" % index, AT.encode(), b"%d" % seq, subject


@pytest.mark.parametrize(
    "odd",
    [
        text(1, job=r'"a \" , \\"'),
        text(1, job=r'"\",\"index\":7,\"occurred_at\":\""'),
        text(1, data='{"x":1,"index":7,"occurred_at":"then"}'),
        text(1, data=text(7, 7, "unit:U-7").decode()),
        text(1, job='"a\nb"'),
        text(1) + b"\n",
        text(1).partition(b',"type"')[0],
    ],
    ids=["quote", "index in a word", "index in data", "entry in data", "line's end in a word", "behind it", "cut off"],
)
def test_an_odd_text_says_the_same_among_others_as_alone(odd):
    assert [place(1)] == stated([odd])
    assert [place(0), place(1), place(2, 1)] == stated([text(0), odd, text(2, 1)])


@pytest.mark.parametrize("subject", [b"unit:\0", b"unit:\xff", b"unit:\n", "unit:Ö".encode()])
def test_a_subject_is_taken_as_its_bytes(subject):
    odd = text(1).replace(b"unit:U-1", subject)
    assert [place(0), place(1, 0, subject)] == stated([text(0), odd])


HALF = text(1).partition(b'","type"')[0]  # its subject has no end


@pytest.mark.parametrize(
    "odd",
    [
        [b""],
        [b"{}"],
        [text(1).replace(b',"index":1', b"")],
        [text(1).replace(b',"index":', b"")],
        [text(1).partition(b'"index":')[2]],
        [HALF],
        [HALF, b'"'],
        [HALF, text(2)],
        [text(1) + b',"index":', text(2)],
        [text(1) + b',"index"', *(bytes([each]) for each in text(2).partition(b',"index"')[2])],
        [b"".join([text(1), text(2)]), b"}"],
        [text(1) + b"\n" + text(2), b""],
        [text("01")],
        [text(1, "00")],
        [text(1, -1)],
        [text(1, 10**16)],
        [text(1, job=r'"a\"')],
    ],
    ids=range(17),
)
def test_what_is_no_entry_is_none_among_others(odd):
    with pytest.raises(ValueError):
        stated([text(0), *odd, text(9)])


def told(order: Order, first: int, *texts: bytes) -> list[str]:
    """What is found wrong with these, from an index on."""
    before = len(order.wrongs)
    order.read(first, texts)
    return [wrong.line() for wrong in order.wrongs[before:]]


def page(first: int, stop: int, seq: int = 0) -> list[bytes]:
    return [text(index, seq + index - first) for index in range(first, stop)]


NO_TEXT = text(4, subject="unit:?").replace(b"?", b"\xff")
ON_PAGE = "is number {} on the page of unit:U-1, where {} belongs"


@pytest.mark.parametrize(
    ("at", "instead", "told_of_it"),
    [
        (4, text(4, 9), [f"MISSING entry 4: it {ON_PAGE.format(9, 4)}"]),
        (4, text(4, 2), [f"INSERTED entry 4: it {ON_PAGE.format(2, 4)}"]),
        (4, text(5, 4), ["REORDERED entry 4: its text says that it is entry 5"]),
        (4, text(4, 4, at=AT.replace("6", "5")), ["REORDERED entry 4: it was recorded before the entry before it"]),
        (0, text(0, 1), [f"MISSING entry 0: it {ON_PAGE.format(1, 0)}"]),
        (7, text(7, 1), [f"INSERTED entry 7: it {ON_PAGE.format(1, 7)}"]),
        (4, NO_TEXT, []),
        (
            4,
            NO_TEXT.replace(b'"seq":0', b'"seq":3'),
            ["MISSING entry 4: it is number 3 on the page of unit:�, where 0 belongs"],
        ),
    ],
    ids=["ahead", "behind", "index", "moment", "first", "last", "bytes", "bytes ahead"],
)
def test_one_that_is_out_of_its_place_is_named_alone(at, instead, told_of_it):
    order = Order(Wrongs())
    block = page(0, 8)
    block[at] = instead
    assert told_of_it == told(order, 0, *block[: at + 1])


def test_a_block_that_is_not_in_order_counts_each_of_its_entries_once():
    """One is wrong in the second block, and it alone is named, there and in the block behind it."""
    order = Order(Wrongs())
    assert [] == told(order, 0, *page(0, 4))
    block = [*page(4, 6, 4), text(6, 7), text(7, 0, "unit:U-2"), *page(8, 10, 8)]
    assert [f"MISSING entry 6: it {ON_PAGE.format(7, 6)}"] == told(order, 4, *block)
    assert [] == told(order, 10, *page(10, 12, 10), text(12, 1, "unit:U-2"))
    assert [f"INSERTED entry 13: it {ON_PAGE.format(11, 12)}"] == told(order, 13, text(13, 11))


def test_a_moment_before_that_of_the_block_before_is_found():
    order = Order(Wrongs())
    assert [] == told(order, 0, text(0), text(1, 1, at=LATER))
    assert ["REORDERED entry 2: it was recorded before the entry before it"] == told(order, 2, text(2, 2))
    assert LATER.encode() == order.recorded_at


@pytest.mark.parametrize("seq", [3, 4])
def test_a_page_may_have_gone_on_once_after_an_entry_was_lost(seq):
    """The lost one may have been on this page, or on another."""
    order = Order(Wrongs())
    assert [] == told(order, 0, *page(0, 3))
    order.lost()
    assert [] == told(order, 4, *page(4, 8, seq))
    assert [f"MISSING entry 8: it {ON_PAGE.format(seq + 5, seq + 4)}"] == told(order, 8, text(8, seq + 5))
