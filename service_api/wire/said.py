"""What a receipt says beside its leaf, as it is stored: {discrepancies: [...], warnings: [...]}."""

from typing import Any

import orjson

UNREADABLE = orjson.dumps(
    {
        "discrepancies": [],
        "warnings": [
            {
                "warning": "receipt-damaged",
                "pointer": "",
                "words": "what its receipt said cannot be read: `fettlebook verify` looks further",
            }
        ],
    }
)


def has_form(said: Any) -> bool:
    """Whether it is bytes as they are written: compact JSON of two lists, whose items have a code and words."""
    try:
        found = orjson.loads(said) if type(said) is bytes else None
        return (
            type(found) is dict
            and list(found) == ["discrepancies", "warnings"]
            and all(type(d["code"]) is type(d["detail"]) is str for d in found["discrepancies"])
            and all(type(w["warning"]) is type(w["words"]) is str for w in found["warnings"])
            and orjson.dumps(found) == said
        )
    except (ValueError, TypeError, KeyError):
        return False
