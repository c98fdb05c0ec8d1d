"""On screen: what a sequence would switch, and for how long."""

from rich.console import Console
from rich.table import Table
from rich.text import Text

from bench.profiles.sequence_model import Sequence
from bench.sequences.scripted import Plan


def show(console: Console, sequence: Sequence, plan: Plan) -> None:
    """Print a plan."""
    console.print(Text.assemble((sequence.title, "bold"), f"\n{sequence.profile.name}: {sequence.profile.title}"))
    for name, parameter in sequence.parameters.items():
        unit = "" if parameter.unit == "1" else f" {parameter.unit}"
        title = f"   {parameter.title}" if parameter.title else ""
        console.print(Text(f"{name} = {sequence.given[name]:g}{unit}{title}", style="dim"))
    console.print()
    for depth, text in plan.lines:
        console.print(Text(f"{'  ' * (depth + 1)}{text}"), soft_wrap=True)
    console.print()
    console.print(_switched(plan))
    console.print(f"\nat most {_duration(plan.duration_s)} of board time, {plan.together} circuits on at a time")
    for text in plan.open:
        console.print(Text(f"  {text}", style="dim"), soft_wrap=True)
    console.print("nothing was switched")


def _switched(plan: Plan) -> Table | Text:
    if not plan.switched:
        return Text("no circuit would be fed")
    table = Table(box=None, padding=(0, 2, 0, 0), header_style="dim")
    for heading in ("circuit", "switched on", "on, at most", "probed", "its loads take"):
        table.add_column(heading, justify="left" if heading == "circuit" else "right")
    for each in plan.switched:
        use = each.use
        table.add_row(
            each.circuit,
            f"{use.driven:,} times" if use.driven else "-",
            _duration(use.on_s) if use.driven else "-",
            f"{use.probes:,} times" if use.probes else "-",
            f"{each.nominal_a:.2f} A",
        )
    return table


def _duration(seconds: float) -> str:
    if seconds < 120:
        return f"{seconds:.3g} s"
    return f"{seconds / 60:.0f} min" if seconds < 7200 else f"{seconds / 3600:.1f} h"
