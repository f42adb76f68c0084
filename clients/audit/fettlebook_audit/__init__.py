"""Takes a Fettlebook away and checks it without its service."""

__version__ = "0.1.0"
