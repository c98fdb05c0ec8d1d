"""``umbilical board conformance``: is this a board of the contract?"""

from typing import TYPE_CHECKING, Annotated

import typer

from bench.cli import options as opt

if TYPE_CHECKING:
    from bench.link.conformance import CheckResult, Conformance

LEVELS = ("basic", "load", "hand")


def conformance(
    board: opt.BoardUrl,
    level: Annotated[
        str,
        typer.Option(
            metavar="basic|load|hand",
            help="How far: nothing is fed; a dummy load is fed too; a hand presses the emergency stop too.",
        ),
    ] = "basic",
    only: Annotated[str | None, typer.Option(metavar="CHECK,...", help="Only these; a wrong name lists them.")] = None,
    ohm: Annotated[float, typer.Option(min=1.0, max=100.0, help="Resistance of the dummy load's resistor.")] = 10.0,
    resistor_channel: Annotated[int, typer.Option(min=1, max=16, help="Board channel that the resistor is on.")] = 1,
    lamp_channel: Annotated[int, typer.Option(min=1, max=16, help="Board channel that the lamp is on.")] = 2,
    as_json: opt.Json = False,
) -> int:
    """Hold a board to the published contract, clause by clause; outputs are off afterwards.

    Exit codes: 0 it keeps what was checked; 1 it does not; 2 something could not be told.
    """
    from bench.app.builder import conformance as hold_to_it
    from bench.cli import json_view, terminal
    from bench.cli.running import on_loop
    from bench.errors import InputError
    from bench.link.conformance import LEVELS, DummyLoad

    if level not in LEVELS:
        raise InputError(f"there is no level {level!r}: the levels are {', '.join(LEVELS)}")
    chosen = LEVELS[: LEVELS.index(level) + 1]
    load = None if level == "basic" else DummyLoad(resistor_channel, ohm, lamp=lamp_channel)
    if load is not None:
        _caution(ohm)
    console = terminal.err()

    def tell(result: "CheckResult") -> None:
        console.print(f"{_MARK[result.outcome]:<12}{result.name}", soft_wrap=True)

    report = on_loop(
        board,
        lambda: hold_to_it(
            board, levels=chosen, only=opt.listed(only), load=load, ask=_ask if level == "hand" else _nobody, tell=tell
        ),
    )
    code = 1 if report.count("fail") else 2 if report.count("not-tested") else 0
    if as_json:
        json_view.emit(_document(board, level, report))
    else:
        _show(report, level)
    return code


_MARK = {"pass": "kept", "fail": "NOT KEPT", "not-tested": "not tested", "not-claimed": "not claimed"}


def _caution(ohm: float) -> None:
    from bench.cli import terminal

    terminal.err().print(
        f"Caution: the resistor of {ohm:g} ohm and the lamp get hot; fuse the supply, and plug in nothing else.",
        soft_wrap=True,
    )


async def _nobody(_what: str) -> bool:
    return False


async def _ask(what: str) -> bool:
    import sys

    from bench.cli import terminal

    if not sys.stdin.isatty():
        return False
    terminal.err().print(f">>> {what}", soft_wrap=True)
    return True


def _document(url: str, level: str, report: "Conformance") -> dict[str, object]:
    from dataclasses import asdict

    from bench import __version__

    board = report.board
    return {
        "umbilical": __version__,
        "board": {
            "url": url,
            "serial": board.serial,
            "firmware": board.firmware,
            "contract": "{}.{}".format(*board.contract),
            "channels": board.channels,
        },
        "level": level,
        "verdict": "fail" if report.count("fail") else "not-tested" if report.count("not-tested") else "pass",
        "checks": [asdict(result) for result in report.results],
    }


def _show(report: "Conformance", level: str) -> None:
    """A table that a builder can act on: what is not kept stands first, with what was expected and seen."""
    from rich.table import Table
    from rich.text import Text

    from bench.cli import terminal

    console = terminal.out()
    board = report.board
    table = Table(box=None, padding=(0, 2, 0, 0), header_style="bold")
    for heading in ("check", "BOARD.md", "", "expected, and seen"):
        table.add_column(heading, no_wrap=heading != "expected, and seen", overflow="fold")
    style = {"pass": "green", "fail": "bold red", "not-tested": "yellow", "not-claimed": "dim"}
    order = ("pass", "not-claimed", "not-tested", "fail")  # what is to be done stands last, where the eye is
    for result in sorted(report.results, key=lambda result: order.index(result.outcome)):
        seen = f"{result.expected}\n{result.seen}" if result.outcome == "fail" else result.seen
        table.add_row(result.name, result.clause, Text(_MARK[result.outcome], style[result.outcome]), seen)
    console.print(table)
    console.print(
        f"{board.serial}, {board.firmware}, contract {board.contract[0]}.{board.contract[1]}: "
        f"{report.count('pass')} kept, {report.count('fail')} not kept, {report.count('not-tested')} not tested, "
        f"{report.count('not-claimed')} not claimed (level {level})",
        soft_wrap=True,
    )
