"""``umbilical abs``: supply, warning lamp and blink codes of an ABS unit."""

from typing import Annotated

import typer

from bench.cli import options as opt


def abs_unit(
    profile: opt.ProfileName,
    board: opt.BoardUrl,
    codes: Annotated[bool, typer.Option("--codes/--no-codes", help="Ask the unit for its blink codes.")] = True,
    tap: Annotated[
        bool, typer.Option("--tap", help="Where the current shows no blinks: press Enter at each, then type done.")
    ] = False,
    unit_number: opt.UnitNumber = None,
    vin: opt.Vin = None,
    operator: opt.Operator = None,
    answers: opt.Answers = None,
    record: opt.Records = None,
    report: opt.ReportFile = None,
    as_json: opt.Json = False,
    yes: opt.Yes = False,
) -> int:
    """Test an ABS unit: its supply, its warning lamp's check at power-on, and its blink codes.

    Counts and times for asking, and what codes mean, stand in the profile; they are the unit maker's.
    """
    from contextlib import nullcontext

    from bench import app
    from bench.cli.keyboard import lines_to
    from bench.cli.running import Wishes, make_run
    from bench.results import Run
    from bench.sequences.abs import Taps

    async def work(session: app.Session) -> Run:
        taps = Taps()
        with lines_to(taps.put) if tap else nullcontext():
            return await session.abs(
                profile,
                codes=codes,
                taps=taps if tap else None,
                unit_number=unit_number,
                vin=vin,
                operator_name=operator,
            )

    return make_run(Wishes(board, record, report, as_json, answers, yes, vin), work)
