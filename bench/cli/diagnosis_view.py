"""A diagnosis of stored readings on screen: the verdict, what was found, what is not known."""

from rich.console import Console
from rich.text import Text

from bench.cli import why_view
from bench.cli.terminal import STYLE, WORD
from bench.cli.verdict_view import finding_block
from bench.electrical import Conclusion
from bench.profiles.model import Measurements
from bench.results import Verdict


def show(console: Console, measurements: Measurements, found: Conclusion, verdict: Verdict, *, why: bool) -> None:
    """Print it; ``why`` adds everything that was weighed."""
    count, profile = len(measurements.readings), measurements.profile
    console.print(Text.assemble((profile.name, "bold"), f", {count} reading{'s' if count != 1 else ''}"))
    for number, each in enumerate(found.findings, 1):
        console.print(finding_block(number, each, profile.units))
    if not found.findings:
        console.print("\n     Nothing in these readings speaks against a sound harness.")
    for note in found.notes:
        console.print(Text.assemble("\n     ", ("note  ", "dim"), note))
    if why:
        console.print(why_view.table(found.explanations))
    console.print(Text.assemble("\n     ", ("verdict  ", "dim"), (WORD[verdict], STYLE[verdict])))
