"""The running Fettlebook, asked over HTTP. Nothing else here knows the HTTP library.

Every call has a deadline. What may pass by itself (no connection, a reply cut short, 5xx, 429) is tried again with
growing, jittered pauses, or after the reply's `Retry-After` (RFC 9110, 10.2.3), as long as the patience lasts. Any
other 4xx is never tried again. Redirects are not followed: the token goes to the address that was given.
"""

import json
import random
import time
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from types import TracebackType
from typing import Any, Self

import httpx2
from tenacity import RetryCallState, Retrying, retry_if_exception_type, stop_before_delay, wait_random_exponential

from fettlebook_erp import __version__
from fettlebook_erp.pages import Page, read_page
from fettlebook_erp.trouble import CouldNotRun, FoundWrong

DEADLINE = 30.0  # seconds for one whole reply, beside the seconds that the service was asked to wait
CONNECT = 10.0  # seconds
MOST_BYTES = 64 * 2**20  # of one reply, unpacked; 500 changes are about 1 MB
LONGEST_PAUSE = 15.0  # seconds


class _Passing(Exception):
    """It did not work this time. `after` : the seconds that the service asks to be left alone, if it says so."""

    def __init__(self, words: str, after: float | None = None) -> None:
        super().__init__(words)
        self.after = after


_growing = wait_random_exponential(multiplier=0.2, max=LONGEST_PAUSE)


def _pause(state: RetryCallState) -> float:
    """Seconds until the next try: what the service asked for and up to a second more, else growing from 0.2."""
    error = state.outcome.exception() if state.outcome else None
    if isinstance(error, _Passing) and error.after is not None:
        return error.after + random.random()
    return _growing(state)


def _retry_after(text: str | None) -> float | None:
    """The seconds in a Retry-After, given as seconds or as a date; None when there is none that can be read."""
    if text is None:
        return None
    if text.isascii() and text.isdecimal():
        return float(text)
    try:
        moment = parsedate_to_datetime(text)
    except ValueError:
        return None
    return max(0.0, (moment.replace(tzinfo=moment.tzinfo or UTC) - datetime.now(UTC)).total_seconds())


def _said(status: int, body: bytes) -> str:
    """The status and, where the body is a problem document (RFC 9457), its words on one line."""
    try:
        problem = json.loads(body)
        words = ": ".join(str(problem[name]) for name in ("title", "detail") if problem.get(name))
    except (ValueError, AttributeError, TypeError):
        words = ""
    return " ".join(f"{status} {words}".split())[:300]


class Service:
    """A Fettlebook at an address, asked with a token.

    patience : seconds for which one call is tried again before it is given up
    deadline : seconds for one whole reply
    """

    def __init__(self, url: str, token: str, patience: float, deadline: float = DEADLINE) -> None:
        self.url = url.rstrip("/")
        self.patience = patience
        self.deadline = deadline
        headers = {
            "Authorization": f"Bearer {token}",
            "Accept": "application/json",
            "User-Agent": f"fettlebook-erp/{__version__}",
        }
        self._http = httpx2.Client(headers=headers)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self._http.close()

    def changes(self, start: str, limit: int, wait: int) -> Page:
        """One page of changes from a cursor on; when there is none, the service waits `wait` seconds for one."""
        return read_page(self._ask("/v1/changes", {"from": start, "limit": limit, "wait": wait}, wait), start)

    def has_entry(self, index: int) -> bool:
        """Whether the book holds an entry of this index."""
        found = self._ask("/v1/feed", {"from": index, "limit": 1})
        try:
            return bool(found["entries"])
        except (TypeError, KeyError):
            raise FoundWrong("the reply to /v1/feed has no `entries`") from None

    def _ask(self, path: str, query: dict[str, str | int], wait: int = 0) -> Any:
        """The JSON value of a 200. Raises CouldNotRun when there is none to be had, FoundWrong when it is no JSON."""
        tries = Retrying(
            retry=retry_if_exception_type(_Passing),
            wait=_pause,
            stop=stop_before_delay(self.patience + wait),
            reraise=True,
        )
        try:
            status, body = tries(self._once, path, query, wait)
        except _Passing as error:
            raise CouldNotRun(f"no answer from {self.url}{path} in {self.patience:g} s: {error}") from error
        except httpx2.HTTPError as error:  # nothing that passes by itself
            raise CouldNotRun(f"no answer from {self.url}{path}: {error}") from error
        if status in (401, 403):
            raise CouldNotRun(f"the service refuses the token: {_said(status, body)}")
        if status != 200:
            raise CouldNotRun(f"the service refuses {path}: {_said(status, body)}")
        try:
            return json.loads(body)
        except ValueError as error:
            raise FoundWrong(f"the reply to {path} is no JSON: {error}") from None

    def _once(self, path: str, query: dict[str, str | int], wait: int) -> tuple[int, bytes]:
        """Status and whole body of one try. Raises _Passing for what another try may mend."""
        until = time.monotonic() + wait + self.deadline
        limits = httpx2.Timeout(wait + self.deadline, connect=min(CONNECT, self.deadline))
        body = bytearray()
        try:
            with self._http.stream("GET", self.url + path, params=query, timeout=limits) as response:
                for piece in response.iter_bytes():  # the library's own limits start anew with every piece
                    body += piece
                    if len(body) > MOST_BYTES:
                        raise FoundWrong(f"the reply to {path} is longer than {MOST_BYTES} bytes")
                    if time.monotonic() > until:
                        raise _Passing(f"no whole reply in {wait + self.deadline:g} s")
        except httpx2.TimeoutException as error:
            raise _Passing(f"no reply in time: {type(error).__name__}") from error
        except httpx2.UnsupportedProtocol:
            raise
        except httpx2.TransportError as error:
            raise _Passing(str(error) or type(error).__name__) from error
        status = response.status_code
        if status >= 500 or status == 429:
            raise _Passing(_said(status, bytes(body)), _retry_after(response.headers.get("Retry-After")))
        return status, bytes(body)
