"""Tests: they mirror service_api; `tests/vectors` is shared with the clients."""
