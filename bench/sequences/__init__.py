"""Steps as data, a performer for each, one loop that does them and keeps the record."""

from bench.sequences.air.brakes import run_brakes
from bench.sequences.cable import run_cable
from bench.sequences.ledger import RunStore
from bench.sequences.operator import Nobody, Operator, Prepared, Question
from bench.sequences.power import run_power
from bench.sequences.runner import run_inspection
from bench.sequences.steps import NAMES, STEPS, Step, choose
from bench.sequences.typed import Typed
from bench.sequences.walk import run_walk
from bench.sequences.wiggle import Heard, gently, run_wiggle

__all__ = [
    "NAMES",
    "STEPS",
    "Heard",
    "Nobody",
    "Operator",
    "Prepared",
    "Question",
    "RunStore",
    "Step",
    "Typed",
    "choose",
    "gently",
    "run_brakes",
    "run_cable",
    "run_inspection",
    "run_power",
    "run_walk",
    "run_wiggle",
]
