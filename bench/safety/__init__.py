"""Permit rules, the guarded board, safe state."""
