"""Pure functions that turn pressures, times and strokes into judgements of an air-brake system."""
