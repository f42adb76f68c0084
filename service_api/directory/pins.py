"""PINs: four to twelve digits that a person chooses, stored as argon2id.

So few digits cannot bear guessing, whatever the hash. A PIN opens a session only at an enrolled device, which holds a
secret of 256 bits of its own, and ten wrong ones shut it there (NIST SP 800-63B, activation secrets).
"""

import re
from functools import cache
from secrets import token_hex
from threading import BoundedSemaphore
from typing import Any

FORM = re.compile(r"[0-9]{4,12}", re.ASCII)
# RFC 9106 leaves the cost to its user; these are OWASP's least: 19 MiB, two passes, one lane
MEMORY_KIB, PASSES, LANES = 19 * 1024, 2, 1
_at_once = BoundedSemaphore(4)  # of 19 MiB each, however many guesses come together


@cache
def _hasher() -> Any:
    from argon2 import PasswordHasher  # with the first PIN: a start does without it

    return PasswordHasher(time_cost=PASSES, memory_cost=MEMORY_KIB, parallelism=LANES)


@cache
def _nobodys() -> str:
    """The hash of a PIN that nobody has: an unknown badge costs as much as a wrong PIN."""
    found: str = _hasher().hash(token_hex(16))
    return found


def hashed(pin: str) -> str:
    """What is stored of a PIN. Raises ValueError for one of another form."""
    if not FORM.fullmatch(pin):
        raise ValueError("a PIN is 4 to 12 digits")
    with _at_once:
        found: str = _hasher().hash(pin)
    return found


def fits(stored: str | None, pin: str) -> bool:
    """Whether the PIN is the stored one; no store takes as long as a wrong PIN."""
    from argon2.exceptions import VerificationError

    nobodys = _nobodys()
    with _at_once:
        try:
            _hasher().verify(stored or nobodys, pin)
        except VerificationError:
            return False
    return stored is not None
