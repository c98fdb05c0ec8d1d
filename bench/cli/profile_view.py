"""A profile on screen."""

from rich.console import Console
from rich.table import Table

from bench.cli import terminal
from bench.profiles.model import (
    Circuit,
    ControlUnit,
    Diode,
    Filament,
    Led,
    Limit,
    Load,
    LoadType,
    Profile,
    Resistor,
)
from bench.units import System, columns


def show(console: Console, profile: Profile) -> None:
    """Print what a technician wants to know of a profile."""
    head = {
        "profile": f"{profile.name}: {profile.title}",
        "connector": profile.connector.title,
        "ground": f"pin {', '.join(map(str, profile.connector.ground_pins)) or 'none'}",
    }
    terminal.print_rows(console, head | ({"notes": profile.notes} if profile.notes else {}))
    console.print()
    console.print(_circuits(profile))
    if profile.limits:
        console.print()
        console.print(_limits(profile))


def _circuits(profile: Profile) -> Table:
    table = _table("pin", "circuit", "feeds")
    for circuit in profile.circuits:
        table.add_row(str(circuit.pin), circuit.name, _feeds(profile, circuit))
    return table


def _feeds(profile: Profile, circuit: Circuit) -> str:
    return "; ".join(_load(load) for load in profile.loads_of(circuit.name)) or "nothing"


def _load(load: Load) -> str:
    return f"{load.title} ({_rating(load.type)})"


def _rating(load: LoadType) -> str:
    match load:
        case Filament():
            return f"{load.rated_w:g} W at {load.rated_v:g} V"
        case Led():
            return f"LED, {load.current_a:g} A"
        case Resistor():
            return f"{load.resistance_ohm:g} ohm"
        case Diode():
            return "diode"
        case ControlUnit():
            return f"control unit, {load.power_w:g} W"


def _limits(profile: Profile) -> Table:
    table = _table("limit", "range", "source")
    for limit in profile.limits.values():
        table.add_row(limit.name, _range(limit, profile.units), f"{limit.source} ({limit.mark.replace('-', ' ')})")
    return table


def _range(limit: Limit, system: System) -> str:
    (low, high), unit = columns([limit.low, limit.high], limit.unit, system)
    words = [f"at least {low}" if low else "", f"at most {high}" if high else ""]
    return f"{', '.join(filter(None, words))} {unit}".rstrip()


def _table(*headings: str) -> Table:
    table = Table(box=None, padding=(0, 2, 0, 0), header_style="dim")
    for heading in headings:
        table.add_column(heading, overflow="fold")
    return table
