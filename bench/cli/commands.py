"""All commands in one list: to add one, write its file and name it here."""

from collections.abc import Callable
from typing import Annotated, Any

import typer
from typer.main import get_command

from bench.cli import abs as abs_command
from bench.cli import (
    air,
    board,
    board_map,
    cable,
    calibrate,
    conformance,
    demo,
    diagnose,
    inspect,
    monitor,
    power,
    profile,
    records,
    records_add,
    records_export,
    records_gauge,
    records_import,
    records_search,
    remote,
    report,
    retest,
    sequence,
    serve,
    sim,
    walk,
    wiggle,
)
from bench.cli.options import BOARD_FORMS


def _version(wanted: bool) -> None:
    if wanted:
        from bench import __version__

        typer.echo(f"umbilical {__version__}")
        raise typer.Exit


def _global(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version and exit.")
    ] = False,
) -> None:
    """Test wiring harnesses on a bench, real or simulated.

    Exit codes: 0 all passed; 1 at least one fail; 2 unsure or not tested; 64 usage or a bad file;
    69 board not reachable; 70 internal error; 74 record not written; 130 stopped, outputs off.
    """


def application() -> typer.Typer:
    """The command tree."""
    app = typer.Typer(
        no_args_is_help=True,
        rich_markup_mode=None,  # plain help: fast, and readable in a pipe
        pretty_exceptions_enable=False,
        add_completion=False,
        context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    )
    app.callback()(_global)
    app.command("inspect", epilog=BOARD_FORMS)(inspect.inspect)
    app.command("retest", epilog=BOARD_FORMS)(retest.retest)
    app.command("walk", epilog=BOARD_FORMS)(walk.walk)
    app.command("wiggle", epilog=BOARD_FORMS)(wiggle.wiggle)
    app.command("cable", epilog=BOARD_FORMS)(cable.cable)
    app.command("abs", epilog=BOARD_FORMS)(abs_command.abs_unit)
    app.command("power", epilog=BOARD_FORMS)(power.power)
    app.command("run", epilog=BOARD_FORMS)(sequence.run)
    app.command("demo")(demo.demo)
    app.command("diagnose")(diagnose.diagnose)
    app.command("leak")(air.leak)
    app.command("timing")(air.timing)
    app.command("stroke")(air.stroke)
    app.command("remote")(remote.remote)
    app.command("report")(report.report)
    app.command("serve", epilog=BOARD_FORMS)(serve.serve)
    app.command("sim")(sim.sim)
    records.group.command("note")(records_add.note)
    records.group.command("attach")(records_add.attach)
    records.group.command("sign")(records_add.sign)
    records.group.command("export")(records_export.export)
    records.group.command("import")(records_import.import_records)
    records.group.command("history")(records_search.history)
    records.group.command("due")(records_search.due)
    records.group.command("stats")(records_search.stats)
    records.group.command("gauge")(records_gauge.gauge)
    app.add_typer(records.group, name="records")
    app.add_typer(profile.group, name="profile")
    board.group.command("conformance", epilog=BOARD_FORMS)(conformance.conformance)
    board.group.command("calibrate", epilog=BOARD_FORMS)(calibrate.calibrate)
    board.group.command("monitor", epilog=BOARD_FORMS)(monitor.monitor)
    board.group.add_typer(board_map.group, name="map")
    app.add_typer(board.group, name="board")
    return app


def program() -> Callable[..., Any]:
    """The command tree as one callable."""
    return get_command(application())
