"""Unit tests of `service_api.paper`."""
