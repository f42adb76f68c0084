"""The throw-away server of the unit tests, for the service that stands before it."""

from tests.unit.conftest import postgresql

__all__ = ["postgresql"]
