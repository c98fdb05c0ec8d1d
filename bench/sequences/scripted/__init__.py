"""Scripts: sequences from files and the same steps as async Python, with loops, branches, limits and endurance."""

from bench.sequences.scripted.dry_run import Plan, plan
from bench.sequences.scripted.endurance import Endurance, endure
from bench.sequences.scripted.run import (
    SEQUENCE_ATTACHMENT,
    STATE_ATTACHMENT,
    Script,
    check,
    identity_of,
    run_script,
    run_sequence,
)
from bench.sequences.scripted.steps import Steps

__all__ = [
    "SEQUENCE_ATTACHMENT",
    "STATE_ATTACHMENT",
    "Endurance",
    "Plan",
    "Script",
    "Steps",
    "check",
    "endure",
    "identity_of",
    "plan",
    "run_script",
    "run_sequence",
]
