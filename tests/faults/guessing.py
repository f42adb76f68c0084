"""Guesses at what is secret: PINs raced against the count that shuts them out (B24), and what time tells (B25)."""

import random
import statistics
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from typing import Any

from service_api.app import Store, create_app
from service_api.directory import people, pins, sessions, tokens
from tests.faults.harness import Ground

BADGE, PIN, WRONG = "FP.RACED", "4711", "99999"
TOGETHER = 64
HEADER = {"X-Fettlebook": "1"}
MOST = 4.5  # |t| above which time is taken to tell something (GOALS B25)
KEPT = 9  # tenths of the times, the quickest


class Judged:
    """How many guesses at a PIN were judged; the slow hash is left out, so that many races fit into an hour."""

    def __init__(self) -> None:
        self.count = 0
        self._lock = threading.Lock()

    @contextmanager
    def counting(self) -> Iterator[None]:
        real, fits = sessions.count_guess, pins.fits

        def counted(*given: Any) -> sessions.Guess:
            guess = real(*given)
            if not guess.shut:
                with self._lock:
                    self.count += 1
            return guess

        sessions.count_guess, pins.fits = counted, lambda known, pin: False  # type: ignore[assignment]
        try:
            yield
        finally:
            sessions.count_guess, pins.fits = real, fits


def races(on: Ground, count: int, seed: int) -> list[str]:
    """What went wrong in so many races of 64 wrong PINs at a device of its own; every second one with a restart of the
    service, and a clock that jumps, in its middle.
    """
    worn_badge(on)
    chance, faults = random.Random(seed), []
    on.store.close()
    for n in range(count):
        judged = Judged()
        with judged.counting():
            _race(on, judged, chance, restart=bool(n % 2))
        if judged.count != sessions.GUESSES:
            faults.append(f"race {n}: {judged.count} guesses were judged, and not {sessions.GUESSES}")
    return faults


def worn_badge(on: Ground) -> str:
    with on.store.writing.begin() as connection:
        people.give_badge(connection, on.book.number, "ada.bench", BADGE, PIN)
    return BADGE


def _race(on: Ground, judged: Judged, chance: random.Random, restart: bool) -> None:
    first = chance.randrange(1, TOGETHER) if restart else TOGETHER
    jump = timedelta(0)
    cookie = ""
    for together in (first, TOGETHER - first):
        if not together:
            continue
        store = Store(on.settings, lambda jump=jump: datetime.now(UTC) + jump)  # type: ignore[misc]
        try:
            app = create_app(store)
            cookie = cookie or _device(store, on.book.number)
            _guess_at_once(app, cookie, together)
        finally:
            store.close()
        jump = timedelta(days=chance.choice((-3650, 3650)))


def _device(store: Store, book: int) -> str:
    with store.writing.begin() as connection:
        _, code, _ = tokens.enrol(connection, book, "raced", store.clock())
        text = tokens.redeem(connection, code, store.clock())
    assert text is not None
    return text


def _guess_at_once(app: Any, cookie: str, count: int) -> None:
    gate = threading.Barrier(count)

    def guess() -> None:
        client = app.test_client()
        client.set_cookie("fettlebook_bench", cookie)
        gate.wait(60)
        client.post("/v1/sessions", json={"badge": BADGE, "pin": WRONG}, headers=HEADER)

    threads = [threading.Thread(target=guess) for _ in range(count)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()


# Time


def sign_in_times(store: Store, book: int, badge: str, count: int) -> float:
    """|t| of the worse of an unknown badge and of somebody who is shut out, against a wrong PIN: in processor time."""
    with store.writing.begin() as connection:
        for _ in range(sessions.GUESSES + 1):
            sessions.count_guess(connection, book, "d-2", badge)

    def at(device: str, worn: str) -> Callable[[], object]:
        def guess() -> None:
            with store.writing.begin() as connection:
                found = sessions.count_guess(connection, book, device, worn)
            pins.fits(found.pin, "9999")

        return guess

    return worst_t(at("d-1", badge), (at("d-1", "FP.NONE"), at("d-2", badge)), count)


def worst_t(one: Callable[[], object], others: tuple[Callable[[], object], ...], count: int) -> float:
    """Welch's |t| of the worse of `others` against `one`, called in turn; the slowest tenth of each is cut."""
    found: list[list[float]] = [[] for _ in (one, *others)]
    for _ in range(count):
        for call, times in zip((one, *others), found, strict=True):
            began = time.thread_time()
            call()
            times.append(time.thread_time() - began)
    kept = [sorted(times)[: count * KEPT // 10] for times in found]
    return max(abs(welch(times, kept[0])) for times in kept[1:])


def welch(left: list[float], right: list[float]) -> float:
    spread = statistics.variance(left) / len(left) + statistics.variance(right) / len(right)
    return float((statistics.fmean(left) - statistics.fmean(right)) / spread**0.5)
