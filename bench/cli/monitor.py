"""``umbilical board monitor``: every quantity of a board, live; a table in a terminal, rows in a pipe."""

import sys
from typing import TYPE_CHECKING, Annotated

import typer

from bench.cli import options as opt

if TYPE_CHECKING:
    from collections.abc import Callable
    from enum import IntFlag

    from rich.console import RenderableType

    from bench.contract.readings import Identity, Snapshot


def monitor(
    board: opt.BoardUrl,
    every: Annotated[
        float, typer.Option(metavar="S", min=0.02, max=3600, help="Seconds from one reading to the next.")
    ] = 0.2,
    seconds: Annotated[float, typer.Option(metavar="S", min=0.0, help="How long; 0 until Ctrl-C.")] = 0.0,
) -> int:
    """Show everything a board measures, again and again; claims nothing, switches nothing.

    In a pipe or a file it is CSV, one row a reading.
    """
    from bench.app import builder
    from bench.cli import terminal
    from bench.cli.running import serving

    console = terminal.out()

    async def work(show: "Callable[[Identity, Snapshot], None]") -> None:
        await builder.monitor(board, show, every_s=every, seconds=seconds or None)

    if not terminal.moves_cursor(console):
        serving(lambda: work(_Rows()))
        return 0
    from rich.live import Live

    with Live(console=console, auto_refresh=False) as live:
        serving(lambda: work(lambda identity, seen: live.update(table(identity, seen), refresh=True)))
    return 0


class _Rows:
    """CSV: a heading, then a row each time."""

    def __init__(self) -> None:
        self._begun = False

    def __call__(self, identity: "Identity", seen: "Snapshot") -> None:
        values = quantities(identity, seen)
        if not self._begun:
            sys.stdout.write(",".join(values) + "\n")
            self._begun = True
        sys.stdout.write(",".join(values.values()) + "\n")
        sys.stdout.flush()


def quantities(identity: "Identity", seen: "Snapshot") -> dict[str, str]:
    """Every quantity by its name with its unit."""
    values = {
        "uptime_s": f"{seen.uptime_s:.3f}",
        "mode": _words(seen.mode),
        "faults": _words(seen.faults),
        "causes": _words(seen.causes),
        "returns": _words(seen.returns),
        "supply_v": f"{seen.supply_v:.3f}",
        "supply_a": f"{seen.supply_a:.3f}",
        "reference_a": f"{seen.reference_a:.3f}",
        "return_pin_a": f"{seen.return_pin_a:.3f}",
        "return_chassis_a": f"{seen.return_chassis_a:.3f}",
        "chassis_sense_v": f"{seen.chassis_sense_v:.3f}",
        "ground_pin_v": f"{seen.ground_pin_v:.3f}",
        "ambient_c": f"{seen.ambient_c:.1f}",
        "board_c": f"{seen.board_c:.1f}",
        "events": str(seen.events_head),
        "boots": str(seen.boots),
    }
    if identity.valves:
        values["valves"] = f"{seen.valves:04b}"
    values |= {f"air_{n}": str(raw) for n, raw in enumerate(seen.air[: identity.air_inputs], start=1)}
    for n, channel in enumerate(seen.channels, start=1):
        values |= {
            f"state_{n}": channel.state.name.lower().replace("_", "-"),
            f"voltage_{n}_v": f"{channel.voltage_v:.3f}",
            f"current_{n}_a": f"{channel.current_a:.3f}",
            f"trips_{n}": str(channel.trips),
            f"changes_{n}": str(channel.changes),
        }
    return values


def table(identity: "Identity", seen: "Snapshot") -> "RenderableType":
    """The same for a terminal: the board above, its channels below."""
    from rich.console import Group
    from rich.table import Table

    every = quantities(identity, seen)
    names = [name for name in every if not name.split("_")[1:2] or not name.split("_")[1].isdigit()]
    names += [name for name in every if name.startswith("air_")]
    board = Table.grid(padding=(0, 2, 0, 0))
    half = -(-len(names) // 2)
    for left, right in zip(names[:half], [*names[half:], ""], strict=False):
        board.add_row(left, every[left] or "none", right, every.get(right, "") or ("none" if right else ""))
    channels = Table(box=None, padding=(0, 2, 0, 0), header_style="bold")
    for heading in ("channel", "state", "V", "A", "trips", "changes"):
        channels.add_column(heading, justify="left" if heading == "state" else "right")
    for n in range(1, len(seen.channels) + 1):
        cells = (f"state_{n}", f"voltage_{n}_v", f"current_{n}_a", f"trips_{n}", f"changes_{n}")
        channels.add_row(str(n), *(every[cell] for cell in cells))
    return Group(f"{identity.serial}, {identity.firmware}", board, "", channels)


def _words(flags: "IntFlag") -> str:
    return " ".join(str(flag.name).lower().replace("_", "-") for flag in flags)
