"""Keeping the service: the demo, and later backup, restore, verify, import and metrics."""
