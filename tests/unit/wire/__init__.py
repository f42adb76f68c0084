"""Unit tests of `service_api.wire`."""
