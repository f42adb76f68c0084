"""Append, order, Merkle tree. This room knows bytes, not workshops."""
