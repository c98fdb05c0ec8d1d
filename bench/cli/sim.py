"""``umbilical sim``: the simulated board behind a real port, for controllers of any kind."""

from typing import Annotated

import typer


def sim(
    scenario: Annotated[str, typer.Argument(metavar="SCENARIO.yaml", help="A scenario, file or name.")],
    serial: Annotated[bool, typer.Option("--serial", help="Line protocol on a pseudo-terminal.")] = False,
    tcp: Annotated[
        int | None, typer.Option("--tcp", metavar="PORT", min=0, max=65535, help="Line protocol; 0 picks a port.")
    ] = None,
    modbus_rtu: Annotated[bool, typer.Option("--modbus-rtu", help="Modbus RTU on a pseudo-terminal.")] = False,
    modbus_tcp: Annotated[
        int | None, typer.Option("--modbus-tcp", metavar="PORT", min=0, max=65535, help="Modbus TCP; 0 picks a port.")
    ] = None,
    speed: Annotated[
        float, typer.Option("--speed", metavar="N", min=0.01, max=100.0, help="Simulated seconds in a second.")
    ] = 1.0,
    baud: Annotated[
        int | None,
        typer.Option("--baud", metavar="N", min=1200, max=4_000_000, help="Pace the pseudo-terminal like a line."),
    ] = None,
    seed: Annotated[int | None, typer.Option("--seed", metavar="N", help="Instead of the scenario's own.")] = None,
) -> int:
    """Play a simulated board on real ports.

    Prints the URL of each on stdout, one a line, and plays until it is stopped.
    """
    import sys

    from bench import app
    from bench.cli.running import serving
    from bench.errors import InputError

    ports = app.SimulatorPorts(serial=serial, tcp=tcp, modbus_rtu=modbus_rtu, modbus_tcp=modbus_tcp)
    if ports == app.SimulatorPorts():
        raise InputError("say on which port: --serial, --tcp PORT, --modbus-rtu or --modbus-tcp PORT")

    def announce(urls: list[str]) -> None:
        sys.stdout.write("".join(f"{url}\n" for url in urls))
        sys.stdout.flush()

    serving(lambda: app.play(scenario, ports, announce, speed=speed, baud=baud, seed=seed))
    return 0
