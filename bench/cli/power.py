"""``umbilical power``: keep circuits lit until released."""

from typing import Annotated

import typer

from bench.cli import options as opt


def power(
    profile: opt.ProfileName,
    board: opt.BoardUrl,
    circuit: Annotated[
        list[str], typer.Option("--circuit", metavar="NAME", help="This circuit; may be said again for more.")
    ],
    seconds: Annotated[
        float, typer.Option("--seconds", metavar="S", min=0.0, max=86_400.0, help="At most so long; 0 until released.")
    ] = 0.0,
    flash: Annotated[
        float | None,
        typer.Option("--flash", metavar="PER_MINUTE", help="Turn signals flash at this rate, 60 to 120 a minute."),
    ] = None,
    unit_number: opt.UnitNumber = None,
    vin: opt.Vin = None,
    operator: opt.Operator = None,
    answers: opt.Answers = None,
    record: opt.Records = None,
    report: opt.ReportFile = None,
    as_json: opt.Json = False,
    yes: opt.Yes = False,
) -> int:
    """Keep circuits lit, soft-started and watched, until Enter, Ctrl-C or the time limit."""
    import sys
    from contextlib import nullcontext

    from bench import app
    from bench.cli.keyboard import lines_to
    from bench.cli.running import Wishes, make_run
    from bench.results import Run
    from bench.sequences import Typed

    async def work(session: app.Session) -> Run:
        typed = Typed()
        with lines_to(typed.put) if sys.stdin.isatty() else nullcontext():
            return await session.power(
                profile,
                only=circuit,
                seconds=seconds or None,
                flash_per_min=flash,
                typed=typed,
                unit_number=unit_number,
                vin=vin,
                operator_name=operator,
            )

    return make_run(Wishes(board, record, report, as_json, answers, yes, vin), work)
