"""Does a board keep the contract? One suite for every board and every link, seen from outside alone.

The checks are data (`check.py`): a name, the clause of BOARD.md that it holds the board to, what is
expected, and a performer that says what it saw. They come in three levels: *basic* needs nothing
plugged in and feeds nothing; *load* needs a resistor on one channel and a lamp on another, and feeds
them; *hand* needs somebody beside the board. Each check begins from a board that is claimed, fed and
has everything off, and whatever happens the board is left off, and let go.
"""

from bench.link.conformance.check import LEVELS, Check, CheckResult, Conformance, DummyLoad, Level, Outcome
from bench.link.conformance.suite import CHECKS, run_conformance

__all__ = [
    "CHECKS",
    "LEVELS",
    "Check",
    "CheckResult",
    "Conformance",
    "DummyLoad",
    "Level",
    "Outcome",
    "run_conformance",
]
