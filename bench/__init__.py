"""Umbilical: a bench controller for wiring harnesses and air brakes.

Everything goes through a session with one board, simulated or real:

    >>> import bench
    >>> async def main() -> bench.Run:
    ...     async with bench.connect("sim:low-supply") as session:
    ...         return await session.inspect("tandem-53ft", only=["supply"])
    >>> run = bench.run_virtual(main())  # simulated boards live in virtual time; for real ones asyncio.run
    >>> run.verdict
    <Verdict.UNSURE: 'unsure'>
    >>> [(value.name, value.unit, value.low, value.verdict.value) for value in run.steps[0].values][0]
    ('open-circuit voltage', 'V', 11.0, 'unsure')

Where nothing is async, a session may block instead:

    >>> with bench.blocking("sim:lab-door") as session:
    ...     run = session.run("lock-motor", {"passes": 2})
    >>> run.verdict
    <Verdict.PASS: 'pass'>
    >>> [step.title for step in run.steps]
    ['Supply at rest', 'Lock motor switched', 'Lock motor at three levels']

A script of one's own is an async function that is given steps; what it measures is judged and recorded:

    >>> async def script(steps: bench.Steps) -> None:
    ...     await steps.drive("latch")
    ...     await steps.wait(0.2)
    ...     await steps.measure("current_a", "latch", limit="drawing")
    >>> with bench.blocking("sim:lab-door") as session:
    ...     (step,) = session.script("machine-door", script, title="Latch").steps
    >>> step.values[0].name, step.verdict.value
    ('latch current_a', 'pass')

Endurance, too; who failed in which cycle is in what it returns, drift and lives are in the record:

    >>> async def worn(steps: bench.Steps) -> None:
    ...     async def cycle() -> None:
    ...         await steps.drive("sounder")
    ...         await steps.wait(0.02)
    ...         await steps.measure("current_a", "sounder", low=0.1)
    ...         await steps.off()
    ...     loop = await bench.endure(steps, 25, cycle)
    ...     print(loop.done, loop.failed)
    >>> with bench.blocking("sim:lab-door") as session:
    ...     print(session.script("machine-door", worn).steps[-1].title)
    25 {}
    25 cycles

Every error is a ``BenchError`` whose text is one line that says where and what to do:

    >>> with bench.blocking("sim:lab-dor") as session:
    ...     pass
    Traceback (most recent call last):
    bench.errors.InputError: no scenario 'lab-dor': did you mean 'lab-door'?
"""

import os
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from bench.app.blocking import BlockingSession, blocking
    from bench.app.connecting import connect
    from bench.app.session import Session
    from bench.errors import BenchError, InputError
    from bench.profiles import load_profile, load_scenario, load_sequence
    from bench.results import Finding, Run, StepResult, Trace, Value, Verdict
    from bench.sequences.scripted import Steps, endure
    from bench.virtual_time import run_virtual

__version__ = "0.1.0"

# Before numpy is loaded: the matrices of a harness have a few dozen rows, and on those the threads of a BLAS mostly
# wait for one another (six times the processor time of an inspection). Who wants more threads sets the variable.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

_HOMES = {
    "BenchError": "bench.errors",
    "BlockingSession": "bench.app.blocking",
    "Finding": "bench.results",
    "InputError": "bench.errors",
    "Run": "bench.results",
    "Session": "bench.app.session",
    "StepResult": "bench.results",
    "Steps": "bench.sequences.scripted",
    "Trace": "bench.results",
    "Value": "bench.results",
    "Verdict": "bench.results",
    "blocking": "bench.app.blocking",
    "connect": "bench.app.connecting",
    "endure": "bench.sequences.scripted",
    "load_profile": "bench.profiles",
    "load_scenario": "bench.profiles",
    "load_sequence": "bench.profiles",
    "run_virtual": "bench.virtual_time",
}
__all__ = [
    "BenchError",
    "BlockingSession",
    "Finding",
    "InputError",
    "Run",
    "Session",
    "StepResult",
    "Steps",
    "Trace",
    "Value",
    "Verdict",
    "__version__",
    "blocking",
    "connect",
    "endure",
    "load_profile",
    "load_scenario",
    "load_sequence",
    "run_virtual",
]


def __getattr__(name: str) -> Any:
    """Load what the package offers when it is first asked for: ``import bench`` alone costs nothing."""
    from importlib import import_module

    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(_HOMES[name]), name)
