"""A record in, a page out."""
