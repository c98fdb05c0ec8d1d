"""The measurement plan on screen: what would be read, in which order, and why."""

from typing import Any

from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from bench.cli import json_view
from bench.electrical.plan import CHANGES, Stage, stages
from bench.profiles.model import Profile, Reading

_HOW = {"probe": "probed", "pulse": "pulsed", "drive": "driven"}
_WAY = {"both": "both returns", "none": "no return", "pin": "pin alone", "chassis": "chassis alone"}


def show(console: Console, profile: Profile, *, as_json: bool) -> int:
    """Print it; exits with 0."""
    plan = stages(profile)
    if as_json:
        json_view.emit(_document(profile, plan))
        return 0
    count = sum(len(stage.readings) for stage in plan)
    console.print(Text.assemble((profile.name, "bold"), f", {count} readings, cold things first"))
    for stage in plan:
        console.print(_block(profile, stage))
    console.print(Padding(Text("What the readings may change", style="bold"), (1, 0, 0, 5)))
    for text in CHANGES:
        console.print(Padding(Text(text), (0, 0, 0, 5)))
    return 0


def _block(profile: Profile, stage: Stage) -> Padding:
    table = Table.grid(padding=(0, 2, 0, 0))
    table.add_column(style="bold", justify="right", min_width=3)
    table.add_column(style="dim", no_wrap=True, min_width=13)
    table.add_column(ratio=1)
    table.add_row(stage.letter, "", Text(stage.title, style="bold"))
    if len({reading.driven for reading in stage.readings}) == 1:
        ways = ", then ".join(_WAY[reading.returns] for reading in stage.readings)
        table.add_row("", ways if len(ways) < 14 else "returns", _pins(profile, stage.readings[0]))
        if len(ways) >= 14:
            table.add_row("", "", ways)
    else:
        fed = ", ".join(_pins(profile, reading) for reading in stage.readings)
        table.add_row("", _WAY[stage.readings[0].returns], fed)
    table.add_row("", "why", stage.why)
    return Padding(table, (1, 0, 0, 0))


def _pins(profile: Profile, reading: Reading) -> str:
    names = {circuit.pin: circuit.name for circuit in profile.circuits}
    return " + ".join(f"pin {pin} {names[pin]}" for pin in reading.driven)


def _document(profile: Profile, plan: tuple[Stage, ...]) -> dict[str, Any]:
    return {
        "profile": profile.name,
        "readings": [
            {
                "stage": stage.letter,
                "how": reading.how,
                "return": reading.returns,
                "driven": [str(pin) for pin in reading.driven],
                "why": stage.why,
            }
            for stage in plan
            for reading in stage.readings
        ],
        "changes": list(CHANGES),
    }
