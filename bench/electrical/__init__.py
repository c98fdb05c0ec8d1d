"""Pure functions that turn electrical measurements into findings."""

from bench.electrical.expected import ExpectedCircuit, Interval, expected
from bench.electrical.inrush import settled_current
from bench.electrical.rules import first_look

__all__ = ["ExpectedCircuit", "Interval", "expected", "first_look", "settled_current"]
