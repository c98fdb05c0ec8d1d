"""``umbilical cable``: test a loose cable."""

from typing import Annotated

import typer

from bench.cli import options as opt


def cable(
    connector: Annotated[str, typer.Argument(metavar="CONNECTOR", help="Name of a shipped connector, or a file.")],
    board: opt.BoardUrl,
    length: Annotated[
        float | None,
        typer.Option("--length-m", metavar="M", min=0.01, max=1000.0, help="Length of its conductors, in metres."),
    ] = None,
    unit_number: opt.UnitNumber = None,
    operator: opt.Operator = None,
    answers: opt.Answers = None,
    record: opt.Records = None,
    report: opt.ReportFile = None,
    as_json: opt.Json = False,
    yes: opt.Yes = False,
) -> int:
    """Test a loose cable: which pin arrives where, bridges, leakage, resistance of each conductor.

    Both its ends go into the board's two sockets. With one socket the far end stays free at first, and then takes a
    shorting cap.
    """
    from bench import app
    from bench.cli.running import Wishes, make_run
    from bench.results import Run

    async def work(session: app.Session) -> Run:
        return await session.cable(connector, length_m=length, unit_number=unit_number, operator_name=operator)

    return make_run(Wishes(board, record, report, as_json, answers, yes), work)
