"""What retests said of findings: before and after side by side on the screen, and as plain data."""

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from rich.console import Group, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from bench import units
from bench.cli.terminal import verdict_text
from bench.cli.verdict_view import subject
from bench.reports.words import limit
from bench.results import Reexamined
from bench.units import System


def side_by_side(title: str, found: Sequence[Reexamined], system: System) -> RenderableType:
    """Each finding with its state, and its values before and after."""
    blocks: list[RenderableType] = [Text(title, style="bold")]
    for each in found:
        closed = each.followup.state == "closed"
        state, style = ("CLOSED", "bold green") if closed else ("OPEN", "bold red")
        blocks.append(Text.assemble("\n", (state, style), f"  {subject(each)}: {each.followup.reason}"))
        blocks.append(Text(f"found in {each.record}, tested again in {each.followup.retest_id}", style="dim"))
        if each.followup.evidence:
            blocks.append(_values(each, system))
    return Padding(Group(*blocks), (1, 0, 0, 5))


def _values(each: Reexamined, system: System) -> Table:
    table = Table(box=None, padding=(0, 2, 0, 2), header_style="dim")
    for heading in ("value", "before", "after", "limits", ""):
        table.add_column(heading, overflow="fold")
    for value in each.followup.evidence:
        numbers = [value.before, value.after, value.low, value.high]
        (was, now, low, high), unit = units.columns(numbers, value.unit, system)
        seen = [f"{figure} {unit}" if figure else "not measured" for figure in (was, now)]
        table.add_row(value.name, *seen, limit(low, high, unit), verdict_text(value.verdict))
    return table


def documents(found: Sequence[Reexamined]) -> list[dict[str, Any]]:
    """The same as plain data."""
    return [
        {
            "record": each.record,
            "retest": each.followup.retest_id,
            "step": each.step,
            "kind": each.finding.kind if each.finding else None,
            "circuits": list(each.finding.circuits) if each.finding else [],
            "state": each.followup.state,
            "reason": each.followup.reason,
            "evidence": [asdict(value) | {"verdict": value.verdict.value} for value in each.followup.evidence],
        }
        for each in found
    ]
