"""Unit tests of `service_api.domain`."""
