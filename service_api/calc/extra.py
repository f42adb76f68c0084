"""The one door to the numerical libraries. They are the extra `numbers` and load with the first need."""

from importlib import import_module
from typing import Any


class NeedsExtra(RuntimeError):
    """The answer needs a library that is not installed."""


def library(name: str) -> Any:
    """Return a module of NumPy or SciPy. Raises NeedsExtra."""
    try:
        return import_module(name)
    except ModuleNotFoundError as error:
        raise NeedsExtra(f"{name} is not installed: pip install 'fettlebook[numbers]'") from error
