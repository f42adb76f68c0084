"""Unit tests of `service_api.calc`."""
