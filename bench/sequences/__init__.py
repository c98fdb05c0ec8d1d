"""Steps as data, a performer for each, one loop that does them and keeps the record."""

from bench.sequences.ledger import RunStore
from bench.sequences.operator import Nobody, Operator, Prepared, Question
from bench.sequences.runner import run_inspection
from bench.sequences.steps import NAMES, STEPS, Step, choose
from bench.sequences.walk import run_walk

__all__ = [
    "NAMES",
    "STEPS",
    "Nobody",
    "Operator",
    "Prepared",
    "Question",
    "RunStore",
    "Step",
    "choose",
    "run_inspection",
    "run_walk",
]
