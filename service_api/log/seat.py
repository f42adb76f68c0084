"""The connections that append, left ready from one append to the next: an embedded store's one, a few to a server."""

from collections import deque
from threading import Lock
from typing import Any

from sqlalchemy import Connection
from sqlalchemy.pool import QueuePool


class Seats(QueuePool):
    """Who appends leaves the connection checked out for the next append while nobody asks the pool for one.

    To check it in and out again takes as long as half the statements of an append.
    """

    def __init__(self, *arguments: Any, **options: Any) -> None:
        super().__init__(*arguments, **options)
        self._ready: deque[Connection] = deque()
        self._counting = Lock()
        self._asking = 0

    def ready(self) -> Connection | None:
        """A connection that was left, for the caller alone; None when there is none."""
        try:
            return self._ready.pop()
        except IndexError:
            return None

    def leave(self, connection: Connection) -> None:
        """`connection` is in no transaction. It is left before it is asked who waits, who says so before they look."""
        self._ready.append(connection)
        if self._asking:
            self._give_back()

    def _give_back(self) -> None:
        while (connection := self.ready()) is not None:
            connection.close()

    def _do_get(self) -> Any:
        with self._counting:
            self._asking += 1
        try:
            self._give_back()
            return super()._do_get()
        finally:
            with self._counting:
                self._asking -= 1

    def dispose(self) -> None:
        self._give_back()
        super().dispose()
