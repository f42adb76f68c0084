"""Unit tests, one file for each module, in a mirror of the tree."""
