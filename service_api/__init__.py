"""Fettlebook: an immutable log of entries per tagged unit, and what follows from it."""

__version__ = "0.1.0"
