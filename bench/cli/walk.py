"""``umbilical walk``: light each circuit in turn while somebody walks round and looks."""

from typing import Annotated

import typer

from bench.cli import options as opt


def walk(
    profile: opt.ProfileName,
    board: opt.BoardUrl,
    seconds: Annotated[
        float, typer.Option("--seconds", metavar="S", min=1.0, max=600.0, help="How long each circuit stays lit.")
    ] = 10.0,
    rounds: Annotated[
        int, typer.Option("--rounds", metavar="N", min=0, help="How many times round; 0 goes on until stopped.")
    ] = 1,
    only: Annotated[str | None, typer.Option("--only", metavar="CIRCUIT,...", help="Only these circuits.")] = None,
    unit_number: opt.UnitNumber = None,
    vin: opt.Vin = None,
    operator: opt.Operator = None,
    answers: opt.Answers = None,
    record: opt.Records = None,
    report: opt.ReportFile = None,
    as_json: opt.Json = False,
    yes: opt.Yes = False,
) -> int:
    """Light each circuit in turn while you walk round and look."""
    from bench import app
    from bench.cli.running import Wishes, make_run
    from bench.results import Run

    async def work(session: app.Session) -> Run:
        return await session.walk(
            profile,
            only=opt.listed(only),
            seconds=seconds,
            rounds=rounds or None,
            unit_number=unit_number,
            vin=vin,
            operator_name=operator,
        )

    return make_run(Wishes(board, record, report, as_json, answers, yes, vin), work)
