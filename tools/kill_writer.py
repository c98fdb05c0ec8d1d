"""The process that ``kill_campaign`` kills: it writes steps of one run, each different, and tells which are stored."""

from dataclasses import replace
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
NEXT = replace(RUN, id="20260112-150000-aaaa")


def numbered_step(number: int) -> StepResult:
    """A step that can be told from every other."""
    trace = Trace("inrush", 0.0, 0.001, {"current_a": tuple(float(sample % 7) for sample in range(500))})
    value = Value("a", 1.0, "A")
    return StepResult("drive", f"Step {number}", Verdict.PASS, float(number), 1.0, (value,), (), (trace,))


def write_until_killed(path: str, told: Connection) -> None:
    """Tell the parent each step's number as soon as the store has acknowledged it."""
    store = Store(path)
    store.begin(RUN)
    for number in range(100_000):
        store.add_step(RUN.id, numbered_step(number))
        told.send(number)
