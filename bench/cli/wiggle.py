"""``umbilical wiggle``: watch circuits while somebody moves the wire."""

from typing import Annotated

import typer

from bench.cli import options as opt

Circuits = Annotated[
    list[str] | None,
    typer.Option("--circuit", metavar="NAME", help="This circuit; may be said again for more. [default: all]"),
]


def wiggle(
    profile: opt.ProfileName,
    board: opt.BoardUrl,
    circuit: Circuits = None,
    seconds: Annotated[
        float, typer.Option("--seconds", metavar="S", min=0.0, max=86_400.0, help="How long; 0 until stopped.")
    ] = 60.0,
    lit: Annotated[bool, typer.Option("--lit", help="Keep a single circuit lit instead of probing it.")] = False,
    mark: Annotated[
        bool, typer.Option("--mark", help="Type a place and Enter to mark it; Enter alone ends the watch.")
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
    """Watch circuits while you move the wire: every opening and short is shown, sounded and counted.

    One bell: contact made, or a short cleared. Two: contact broke. Three: shorted. A single circuit is
    probed with 12 mA; several are lit and watched at once. A shorted wire gets short pulses that do not heat it.
    """
    from contextlib import nullcontext

    from bench import app
    from bench.cli.keyboard import lines_to
    from bench.cli.running import Wishes, make_run
    from bench.results import Run
    from bench.sequences import Typed

    async def work(session: app.Session) -> Run:
        typed = Typed()
        with lines_to(typed.put) if mark else nullcontext():
            return await session.wiggle(
                profile,
                only=circuit,
                seconds=seconds or None,
                lit=lit,
                typed=typed,
                unit_number=unit_number,
                vin=vin,
                operator_name=operator,
            )

    return make_run(Wishes(board, record, report, as_json, answers, yes, vin), work)
