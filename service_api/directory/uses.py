"""When tokens were last used: to the hour, and never at the cost of the request that used them."""

import logging
from datetime import datetime, timedelta
from threading import Lock, Thread, current_thread

from sqlalchemy import Engine

from service_api.directory.tokens import Token, note_use

log = logging.getLogger("fettlebook")


class Uses:
    """Writes a token's use beside the request, at most once an hour; what cannot be written is let go."""

    def __init__(self, engine: Engine) -> None:
        self.engine = engine
        self._noted: dict[tuple[int, str], datetime] = {}
        self._lock = Lock()
        self._writing: set[Thread] = set()

    def note(self, token: Token, now: datetime) -> None:
        """`token` was used, and its row does not say so yet."""
        key = (token.book, token.id)
        with self._lock:
            last = self._noted.get(key)
            if last is not None and abs(now - last) < timedelta(hours=1):  # being written, or it could not be
                return
            self._noted[key] = now
            thread = Thread(target=self._write, args=(token, now), daemon=True)
            self._writing.add(thread)
            thread.start()

    def _write(self, token: Token, now: datetime) -> None:
        try:
            with self.engine.begin() as connection:
                note_use(connection, token.book, token.id, now)
        except Exception as error:  # a full disk or a held store: the next hour tries again
            log.warning("the use of %s was not noted: %s", token.id, type(error).__name__)
        finally:
            self._writing.discard(current_thread())

    def settle(self) -> None:
        """Wait for what is being written."""
        with self._lock:
            waiting = list(self._writing)
        for thread in waiting:
            thread.join()
