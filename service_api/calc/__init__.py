"""Functions on numbers: they know no entries, no people and nothing else of ours."""
