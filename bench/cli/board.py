"""``umbilical board``: talk to a board alone."""

import typer

from bench.cli import options as opt

group = typer.Typer(no_args_is_help=True, help="Who a board is, whether it keeps the contract, how exact it is.")


@group.command("identify", epilog=opt.BOARD_FORMS)
def identify(board: opt.BoardUrl, as_json: opt.Json = False) -> int:
    """Ask a board who it is and what it can do; switches nothing."""
    from dataclasses import asdict

    from bench import app
    from bench.cli import json_view, terminal
    from bench.cli.running import on_loop
    from bench.contract.readings import Identity

    async def work() -> Identity:
        async with app.connect(board) as session:
            return session.identity

    identity = on_loop(board, work)
    capabilities = [capability.name for capability in identity.capabilities]
    words = [str(name).lower().replace("_", "-") for name in capabilities]
    if as_json:
        json_view.emit(asdict(identity) | {"url": board, "capabilities": words})
        return 0
    rows = {
        "board": f"{identity.serial}, firmware {identity.firmware}",
        "contract": "{}.{}".format(*identity.contract),
        "calibrated": identity.calibrated or "never, as far as the board knows",
        "channels": f"{identity.channels}, up to {identity.largest_current_a:g} A each",
        "can": ", ".join(words) or "nothing beyond the bare minimum",
        "accuracy": f"voltage {identity.voltage_gain_error:.2%} and {identity.voltage_offset_error_v * 1000:.1f} mV, "
        f"current {identity.current_gain_error:.1%} and {identity.current_offset_error_a * 1000:.0f} mA",
    }
    terminal.print_rows(terminal.out(), rows)
    return 0


@group.command("selftest", epilog=opt.BOARD_FORMS)
def selftest(board: opt.BoardUrl, as_json: opt.Json = False) -> int:
    """Let a board test its memory, converter and temperature."""
    from dataclasses import asdict

    from rich.console import RenderableType

    from bench import app
    from bench.cli import json_view, terminal
    from bench.cli.running import EXIT_CODE, on_loop
    from bench.results import Verdict

    async def work() -> app.SelfTest:
        async with app.connect(board) as session:
            return await session.self_test()

    result = on_loop(board, work)
    verdict = Verdict.PASS if result.passed else Verdict.FAIL
    if as_json:
        json_view.emit(asdict(result) | {"url": board, "verdict": verdict.value})
        return EXIT_CODE[verdict]
    rows: dict[str, RenderableType] = {
        "verdict": terminal.verdict_text(verdict),
        "faults": ", ".join(result.faults) or "none",
        "supply": f"{result.supply_v:.2f} V",
        "board": f"{result.board_c:.0f} degrees C, air {result.ambient_c:.0f} degrees C",
    }
    terminal.print_rows(terminal.out(), rows)
    return EXIT_CODE[verdict]
