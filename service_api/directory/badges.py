"""Badges: what a person's card reads. It says who; only with the PIN does it open anything."""

import re
from secrets import choice

from service_api.domain.tags import MINTED

FORM = re.compile(r"[!-~]{4,64}")
PREFIX = "FP."


def mint() -> str:
    """A new badge: ten characters that any scanner's keyboard layout types right, about 45 bits."""
    return PREFIX + "".join(choice(MINTED) for _ in range(10))
