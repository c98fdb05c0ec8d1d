"""Pure functions that turn electrical measurements into findings."""

from bench.electrical.baseline import Baseline, learn
from bench.electrical.calibration import calibrated
from bench.electrical.conclusion import Conclusion, conclude
from bench.electrical.diagnosis import Diagnosis, Hypothesis, diagnose
from bench.electrical.expected import ExpectedCircuit, Interval, expected
from bench.electrical.inrush import settled_current
from bench.electrical.plan import plan
from bench.electrical.rules import first_look

__all__ = [
    "Baseline",
    "Conclusion",
    "Diagnosis",
    "ExpectedCircuit",
    "Hypothesis",
    "Interval",
    "calibrated",
    "conclude",
    "diagnose",
    "expected",
    "first_look",
    "learn",
    "plan",
    "settled_current",
]
