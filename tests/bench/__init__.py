"""Benchmarks beside their bare peers: `python -m tests.bench`. Absolute numbers of a machine say little; ratios of
neighbours in one run say more, so every figure is one, taken round by round."""
