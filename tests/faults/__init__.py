"""Faults done to a running service, and what has to be true afterwards. Long runs: `python -m tests.faults --help`."""
