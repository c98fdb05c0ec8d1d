"""``umbilical board calibrate``: offsets, a meter, a known resistor; the board keeps what follows."""

from typing import TYPE_CHECKING, Annotated

import typer

from bench.cli import options as opt

if TYPE_CHECKING:
    from rich.console import RenderableType

    from bench.results import Run

PERCENT = 0.01
CAUTION = (
    "Caution: plug in the resistor alone; at 12.8 V it takes 16 W and gets hot: heat sink, no fingers. "
    "Fuse the supply at its source."
)


def calibrate(
    board: opt.BoardUrl,
    ohm: Annotated[float, typer.Option(min=1.0, max=100.0, help="The resistor, with its leads.")] = 10.0,
    ohm_error: Annotated[
        float, typer.Option(metavar="PERCENT", min=0.001, max=10, help="How far it may be off, warming included.")
    ] = 0.1,
    meter_error: Annotated[
        float, typer.Option(metavar="PERCENT", min=0.001, max=10, help="How far the meter may be off at the supply.")
    ] = 0.05,
    match: Annotated[
        float,
        typer.Option(metavar="PERCENT", min=0.001, max=10, help="How far channels that are not measured may differ."),
    ] = 0.5,
    channels: Annotated[
        str, typer.Option(metavar="N,...", help="Channels that the resistor is moved to, one after the other.")
    ] = "1",
    operator: opt.Operator = None,
    answers: opt.Answers = None,
    record: opt.Records = None,
    as_json: opt.Json = False,
) -> int:
    """Calibrate a board's currents and voltages, and let the board and the record keep the result.

    You need a resistor that is known and a meter at the supply terminals. Asked are `meter-v`, and `resistor-on-1`
    and so on.
    """
    from bench import app
    from bench.app import builder
    from bench.cli import terminal
    from bench.cli.running import Told, Wishes, make_run
    from bench.results import Run
    from bench.sequences.calibrate import CalibrationPlan

    plan = CalibrationPlan(ohm, ohm_error * PERCENT, meter_error * PERCENT, _numbers(channels), match * PERCENT)
    terminal.err().print(CAUTION, soft_wrap=True)

    async def work(session: app.Session) -> Run:
        return await builder.calibrate(session, plan, operator_name=operator)

    wishes = Wishes(builder.with_dummy_load(board), record, None, as_json, answers)
    return make_run(wishes, work, lambda run: Told({}, [_budgets(run)]))


def _numbers(text: str) -> tuple[int, ...]:
    from bench.errors import InputError

    words = opt.listed(text) or ()
    if not words or not all(word.isdigit() and 1 <= int(word) <= 16 for word in words):
        raise InputError(f"--channels: {text!r} is no list of channels; write it as 1,2,3")
    return tuple(sorted({int(word) for word in words}))


def _budgets(run: "Run") -> "RenderableType":
    """Every result with its uncertainty, expanded (k = 2), for people; the lines of each budget are in the record."""
    from rich.table import Table

    table = Table(box=None, padding=(0, 2, 0, 0), header_style="bold")
    for heading in ("result", "correction", "standard uncertainty"):
        table.add_column(heading)
    for step in run.steps:
        for value in step.values:
            if value.source and value.source.startswith("standard uncertainty ") and value.value is not None:
                amount = f"{value.value:+.3%}" if value.unit == "1" else f"{value.value * 1000:+.1f} m{value.unit}"
                table.add_row(value.name, amount, _uncertainty(value.source, value.unit))
    return table


def _uncertainty(source: str, unit: str) -> str:
    standard = float(source.removeprefix("standard uncertainty ").removesuffix(unit).strip())
    return f"{standard:.3%}" if unit == "1" else f"{standard * 1000:.2f} m{unit}"
