"""The way to a service over HTTP, with an end to every wait and every answer."""

import os
from http.client import HTTPException
from urllib.error import HTTPError
from urllib.request import Request, urlopen

PATIENCE = 30  # seconds


class Unanswered(Exception):
    """The service answers with another status, and says why; `status` is it."""

    def __init__(self, path: str, status: int, reason: str) -> None:
        super().__init__(f"{path}: the service answers {status} {reason}")
        self.status = status


class Unreachable(OSError):
    """There is no service there, or it went away."""


class Service:
    """A service at a URL; the token, where it wants one, stands in FETTLEBOOK_TOKEN."""

    def __init__(self, url: str) -> None:
        self.url = url.rstrip("/")
        token = os.environ.get("FETTLEBOOK_TOKEN")
        self._headers = {"Authorization": f"Bearer {token}"} if token else {}

    def get(self, path: str, largest: int) -> bytes:
        """Raises Unanswered, Unreachable; for an answer of more than `largest` bytes ValueError."""
        return self._ask(path, None, largest)

    def post(self, path: str, body: bytes) -> bytes:
        return self._ask(path, body, 100_000)

    def _ask(self, path: str, body: bytes | None, largest: int) -> bytes:
        headers = self._headers if body is None else {**self._headers, "Content-Type": "text/plain; charset=utf-8"}
        try:
            with urlopen(Request(f"{self.url}/v1/{path}", body, headers), timeout=PATIENCE) as response:
                content: bytes = response.read(largest + 1)
        except HTTPError as error:
            with error:
                raise Unanswered(path, error.code, error.reason) from None
        except (OSError, HTTPException) as error:
            raise Unreachable(f"{self.url}: {getattr(error, 'reason', error)}") from None
        except ValueError:  # its words may hold the token
            raise Unreachable(f"{self.url}: no URL, or FETTLEBOOK_TOKEN holds no token") from None
        if len(content) > largest:
            raise ValueError(f"{path}: longer than {largest} bytes")
        return content
