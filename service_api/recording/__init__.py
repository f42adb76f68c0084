"""Appending: drafts become entries. `recorder` is its door."""
