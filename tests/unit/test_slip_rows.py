"""What a redraw asks of all slips at once is what one look after another finds."""

import random
from itertools import pairwise

from service_api.domain.slips import Slip, doubts
from service_api.projections import slips
from tests.conftest import new_book


def sent(chance, device):
    """Slips of a device with numbers missing and clocks that went back here and there."""
    number, found = 0, []
    for fact in range(200):
        number += chance.choice((1, 1, 1, 2, 5))
        second = max(0, fact + chance.choice((0, 0, 0, 0, -3)))
        at = f"2026-01-05T08:{second // 60:02}:{second % 60:02}.000000Z"
        found.append(Slip(device, number, fact, f"{device}-{fact}", chance.random() < 0.8, at, at, 0))
    return found


def test_the_odd_pairs_are_those_that_raise_a_doubt(store):
    book, chance = new_book(store, "slips.example/depot").number, random.Random(5)
    told = {device: sent(chance, device) for device in ("tablet-1", "tablet-2", "tablet-3")}
    every = [slip for of_device in told.values() for slip in of_device]
    chance.shuffle(every)
    with store.writing.begin() as connection:
        write = slips.slip_rows(book, every)
        connection.connection.driver_connection.executemany(write.sql, write.rows)
    wanted = {(a, b) for of_device in told.values() for a, b in pairwise(of_device) if doubts(a, b)}
    with store.reading.begin() as connection:
        found = slips.odd_pairs(connection, book)
    assert 100 < len(wanted) < 500
    assert wanted == {(a, b) for a, b in found if doubts(a, b)}
    assert len(found) < 500  # and hardly any besides, else nothing was gained
    assert sorted(found, key=lambda pair: (pair[1].device, pair[1].seq)) == found
