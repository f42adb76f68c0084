"""The marked commands of README.md, as the tests run them."""

import re
from pathlib import Path

ROOT = Path(__file__).parent.parent


def commands(mark: str) -> list[str]:
    """The shell blocks that stand under `<!-- mark -->`, in order."""
    text = (ROOT / "README.md").read_text("utf-8")
    return re.findall(rf"<!-- {re.escape(mark)} -->\n```sh\n(.*?)```", text, re.DOTALL)
