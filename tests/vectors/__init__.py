"""Check values with sources from outside the code, and the judge that runs them through our public functions."""
