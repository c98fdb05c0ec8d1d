"""``umbilical inspect``: the whole test of what is plugged in, or what it would measure."""

from typing import Annotated

import typer

from bench.cli import options as opt

BoardUrl = Annotated[
    str | None,
    typer.Option("--board", metavar="URL", envvar="UMBILICAL_BOARD", help="Where the board is; forms below."),
]
Plan = Annotated[bool, typer.Option("--plan", help="Print what would be measured, and why. Needs no board.")]


def inspect(
    profile: opt.ProfileName,
    board: BoardUrl = None,
    unit_number: opt.UnitNumber = None,
    vin: opt.Vin = None,
    operator: opt.Operator = None,
    only: opt.Only = None,
    baseline: opt.EarlierRecord = None,
    answers: opt.Answers = None,
    record: opt.Records = None,
    report: opt.ReportFile = None,
    plan: Plan = False,
    why: opt.Why = False,
    mqtt: opt.Broker = None,
    mqtt_commands: opt.BrokerKey = None,
    as_json: opt.Json = False,
    yes: opt.Yes = False,
) -> int:
    """Test every circuit: what is wrong, where, how bad, what next."""
    from bench import app
    from bench.cli import stages_view, terminal
    from bench.cli.running import Wishes, make_run
    from bench.judging import earlier
    from bench.profiles import load_profile
    from bench.results import Run

    loaded = load_profile(profile)
    if plan:
        return stages_view.show(terminal.out(), loaded, as_json=as_json)
    if board is None:
        raise typer.BadParameter("say where the board is", param_hint="'--board'")
    known = earlier(baseline, loaded, record, unit_number=unit_number) if baseline else None

    async def work(session: app.Session) -> Run:
        return await session.inspect(
            loaded,
            only=opt.listed(only),
            baseline=known,
            unit_number=unit_number,
            vin=vin,
            operator_name=operator,
        )

    return make_run(Wishes(board, record, report, as_json, answers, yes, vin, why, mqtt, mqtt_commands), work)
