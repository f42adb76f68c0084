"""Pulls what changed in a Fettlebook into a file or a database, each change exactly once."""

__version__ = "0.1.0"
