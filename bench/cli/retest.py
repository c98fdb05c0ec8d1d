"""``umbilical retest``: after a repair, only what failed, compared before and after."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Annotated, Any

import typer

from bench.cli import options as opt

if TYPE_CHECKING:
    from rich.console import RenderableType

    from bench.results import Reexamined
    from bench.units import System


def retest(
    repaired: Annotated[str, typer.Argument(metavar="RECORD", help="The record that found it, or `last`.")],
    board: opt.BoardUrl,
    operator: opt.Operator = None,
    answers: opt.Answers = None,
    record: opt.Records = None,
    report: opt.ReportFile = None,
    as_json: opt.Json = False,
    yes: opt.Yes = False,
) -> int:
    """Test again, after a repair, what failed and what the repair could have touched.

    Shows before and after side by side. A finding is closed when its own numbers pass now, and stays open
    otherwise; the record that found it keeps both.
    """
    from bench import app, keeping
    from bench.cli import json_view, terminal
    from bench.cli.running import Told, Wishes, make_run, units_of
    from bench.results import Run

    before = keeping.to_retest(repaired, record)
    if not before.left:
        nothing = f"record {before.run.id}: nothing is left to test again"
        if as_json:
            json_view.emit({"record": None, "retest_of": before.run.id, "followups": []})
        else:
            terminal.out().print(nothing)
        return 0
    still_open: list[Reexamined] = []

    async def work(session: app.Session) -> Run:
        return await session.retest(before.run, before.profile, closed=before.closed, operator_name=operator)

    def then(run: Run) -> Told:
        found = keeping.follow_up(before, run, record)
        still_open.extend(each for each in found if each.followup.state == "open")
        return Told(_document(before.run.id, found), [_side_by_side(before.run.id, found, units_of(run))])

    code = make_run(Wishes(board, record, report, as_json, answers, yes, before.run.vin), work, then)
    return code or (2 if still_open else 0)


def _document(record_id: str, found: "Sequence[Reexamined]") -> dict[str, Any]:
    from dataclasses import asdict

    return {
        "retest_of": record_id,
        "followups": [
            {
                "step": each.step,
                "kind": each.finding.kind if each.finding else None,
                "circuits": list(each.finding.circuits) if each.finding else [],
                "state": each.followup.state,
                "reason": each.followup.reason,
                "evidence": [asdict(value) | {"verdict": value.verdict.value} for value in each.followup.evidence],
            }
            for each in found
        ],
    }


def _side_by_side(record_id: str, found: "Sequence[Reexamined]", system: "System") -> "RenderableType":
    from rich.console import Group
    from rich.padding import Padding
    from rich.table import Table
    from rich.text import Text

    from bench import units
    from bench.cli.terminal import verdict_text
    from bench.cli.verdict_view import subject
    from bench.reports.words import limit

    blocks: list[RenderableType] = [Text(f"Before ({record_id}) and after", style="bold")]
    for each in found:
        state = "CLOSED" if each.followup.state == "closed" else "OPEN"
        style = "bold green" if state == "CLOSED" else "bold red"
        blocks.append(Text.assemble("\n", (state, style), f"  {subject(each)}: {each.followup.reason}"))
        table = Table(box=None, padding=(0, 2, 0, 2), header_style="dim")
        for heading in ("value", "before", "after", "limits", ""):
            table.add_column(heading, overflow="fold")
        for value in each.followup.evidence:
            (was, now, low, high), unit = units.columns(
                [value.before, value.after, value.low, value.high], value.unit, system
            )
            seen = [f"{figure} {unit}" if figure else "not measured" for figure in (was, now)]
            table.add_row(value.name, *seen, limit(low, high, unit), verdict_text(value.verdict))
        if each.followup.evidence:
            blocks.append(table)
    return Padding(Group(*blocks), (1, 0, 0, 5))
