"""Pure functions that turn electrical measurements into findings."""
