"""``umbilical inspect``: the whole test of what is plugged in."""

from bench.cli import options as opt


def inspect(
    profile: opt.ProfileName,
    board: opt.BoardUrl,
    unit_number: opt.UnitNumber = None,
    vin: opt.Vin = None,
    operator: opt.Operator = None,
    only: opt.Only = None,
    answers: opt.Answers = None,
    record: opt.Records = None,
    report: opt.ReportFile = None,
    as_json: opt.Json = False,
    yes: opt.Yes = False,
) -> int:
    """Test every circuit: what is wrong, where, how bad, what next."""
    from bench import app
    from bench.cli.running import Wishes, make_run
    from bench.results import Run

    async def work(session: app.Session) -> Run:
        return await session.inspect(
            profile,
            only=opt.listed(only),
            unit_number=unit_number,
            vin=vin,
            operator_name=operator,
        )

    return make_run(Wishes(board, record, report, as_json, answers, yes, vin), work)
