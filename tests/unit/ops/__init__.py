"""Unit tests of `service_api.ops`."""
