"""Where people read: consoles, and the few words and widths that every screen shares.

Everything must survive without colour, in a pipe, on 60 columns and without UTF-8, so that a
meaning is never in a colour or a symbol alone.
"""

import sys
from collections.abc import Mapping

from rich.console import Console, RenderableType
from rich.table import Table
from rich.text import Text

from bench.results import Verdict

WIDEST = 100  # longer lines are hard to follow

WORD = {
    Verdict.PASS: "pass",
    Verdict.FAIL: "FAIL",
    Verdict.UNSURE: "unsure",
    Verdict.NOT_TESTED: "not tested",
}
STYLE = {
    Verdict.PASS: "bold green",
    Verdict.FAIL: "bold red",
    Verdict.UNSURE: "bold yellow",
    Verdict.NOT_TESTED: "bold cyan",
}


def out() -> Console:
    """For the result: stdout."""
    return _console(stderr=False)


def err() -> Console:
    """For progress, cautions and questions: stderr."""
    return _console(stderr=True)


def moves_cursor(console: Console) -> bool:
    """Whether a line can be drawn over: a real terminal, not a dumb one, not a pipe."""
    return console.is_terminal and not console.is_dumb_terminal


def verdict_text(verdict: Verdict) -> Text:
    """The verdict's word, in its colour where there is one."""
    return Text(WORD[verdict], style=STYLE[verdict])


def print_rows(console: Console, rows: Mapping[str, RenderableType]) -> None:
    """Print names and what belongs to them, aligned; long text wraps beside its name."""
    table = Table.grid(padding=(0, 2, 0, 0))
    table.add_column(style="dim", no_wrap=True)
    table.add_column(overflow="fold")
    for name, text in rows.items():
        table.add_row(name, text)
    console.print(table)


def _console(*, stderr: bool) -> Console:
    console = Console(
        file=sys.stderr if stderr else sys.stdout,
        highlight=False,
        markup=False,  # people's text is printed as it is
        emoji=False,
    )
    console.width = min(console.width, WIDEST)
    return console
