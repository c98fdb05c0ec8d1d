"""The composition root: the only room that knows every class, and the only one that knows the simulator.

    async with connect("sim:demo") as session:
        run = await session.inspect("tandem-53ft", only=["ground-return"])

The command, the pytest fixtures and scripts ask for things by name here; nothing below imports this
room. What is heavy is imported where it is first needed.

`connecting.py` makes sessions, `session.py` says what can be done in one (a new kind of run is a method
there), `simulated.py` is everything that a simulated board needs.
"""

from bench.app.connecting import connect, run
from bench.app.session import AnyProfile, Companion, SelfTest, Session
from bench.app.simulated import STANDARD_SCENARIO, Simulated, SimulatorPorts, play
from bench.keeping import open_records, report_html

__all__ = [
    "STANDARD_SCENARIO",
    "AnyProfile",
    "Companion",
    "SelfTest",
    "Session",
    "Simulated",
    "SimulatorPorts",
    "connect",
    "open_records",
    "play",
    "report_html",
    "run",
]
