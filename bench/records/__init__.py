"""The store of runs."""
