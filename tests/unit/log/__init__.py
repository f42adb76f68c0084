"""Unit tests of `service_api.log`."""
