"""The check character of a tag: ISO/IEC 7064, hybrid system MOD 37,36."""

ALPHABET = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"
MODULUS = len(ALPHABET)


def check_character(payload: str) -> str:
    """Return the one character of `0-9 A-Z` that belongs behind `payload`.

    Every wrong single character is found; most swaps of two neighbours are (a few pairs escape).
    Raises ValueError when `payload` is empty or holds anything but `0-9 A-Z`.
    Source: ISO/IEC 7064, the hybrid system with modulus pair 37,36; worked example in tests/vectors/checks.
    """
    if not payload:
        raise ValueError("a payload holds at least one character")
    sum_so_far = MODULUS
    for character in payload:
        value = ALPHABET.find(character)
        if value < 0:
            raise ValueError(f"{character!r} is outside 0-9 A-Z")
        sum_so_far = (sum_so_far + value) % MODULUS or MODULUS  # a remainder of 0 is carried as 36
        sum_so_far = sum_so_far * 2 % (MODULUS + 1)
    return ALPHABET[(MODULUS + 1 - sum_so_far) % MODULUS]


def with_check(payload: str) -> str:
    """Return `payload` with its check character behind it. Raises ValueError as `check_character`."""
    return payload + check_character(payload)


def is_checked(full: str) -> bool:
    """True when the last character of `full` is the check character of those before it."""
    try:
        return with_check(full[:-1]) == full
    except ValueError:
        return False
