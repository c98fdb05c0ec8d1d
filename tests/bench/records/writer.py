"""A process of its own that writes steps until it is killed."""

from multiprocessing.connection import Connection

from bench.records import Store
from bench.results import BoardInfo, Run, StepResult, Trace, Value, Verdict

RUN = Run(
    "20260112-143015-7k2m",
    "inspect",
    "tandem-53ft",
    "2026-01-12T14:30:15+00:00",
    BoardInfo("sim:", "S", "1", "1", 7, ""),
)


def numbered_step(number: int) -> StepResult:
    trace = Trace("inrush", 0.0, 0.001, {"current_a": tuple(float(sample % 7) for sample in range(500))})
    return StepResult(
        "drive", f"Step {number}", Verdict.PASS, float(number), 1.0, (Value("a", 1.0, "A"),), (), (trace,)
    )


def write_until_killed(path: str, told: Connection) -> None:
    """Tell the parent each step's number as soon as the store has acknowledged it."""
    store = Store(path)
    store.begin(RUN)
    for number in range(100_000):
        store.add_step(RUN.id, numbered_step(number))
        told.send(number)
