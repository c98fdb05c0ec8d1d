"""The only way to an output: the permit rules and the guarded board.

``permit`` is a pure function over a table of rules; ``GuardedBoard`` asks it before every
command that may energise something, and switches everything off on every way out.
"""

from bench.safety.air_guard import AirTripped
from bench.safety.guard import GuardedBoard
from bench.safety.interlock import Acknowledgement, Stage
from bench.safety.kept import Denied
from bench.safety.permit import (
    Air,
    Capacity,
    Denial,
    Drive,
    Probe,
    Pulse,
    Reference,
    Regulate,
    Request,
    Seen,
    Switch,
    Wiggle,
    permit,
)
from bench.safety.setup import Setup

__all__ = [
    "Acknowledgement",
    "Air",
    "AirTripped",
    "Capacity",
    "Denial",
    "Denied",
    "Drive",
    "GuardedBoard",
    "Probe",
    "Pulse",
    "Reference",
    "Regulate",
    "Request",
    "Seen",
    "Setup",
    "Stage",
    "Switch",
    "Wiggle",
    "permit",
]
