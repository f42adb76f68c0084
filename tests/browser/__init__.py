"""The bench page in a real browser, against the real service."""
