"""Pressure traces: CSV with a header, time in the first place, one column a quantity with its unit in the name."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from bench.errors import InputError
from bench.profiles.air_model import PA_PER_PSI
from bench.profiles.csv_file import number, read_table

FloatArray = NDArray[np.float64]

_PRESSURE = re.compile(r"(supply|service|chamber(?:_[a-z0-9.-]+)?)_(psi|kpa)")
_OTHERS = ("ambient_c", "tank_c", "command")
_PA = {"psi": PA_PER_PSI, "kpa": 1000.0}
_WRITTEN = {"psi": "psi", "kpa": "kPa"}
_KNOWN = "time_s, supply_psi, supply_kpa, service_psi, service_kpa, chamber_psi, chamber_kpa, " + ", ".join(_OTHERS)


@dataclass(frozen=True, slots=True)
class PressureTrace:
    """Columns of equal length; a leak trace begins when the valve closes.

    Attributes:
        time_s: (n,), rising.
        pressure_pa: gauge pressures, (n,) each, by column: ``supply``, ``service``, ``chamber``, ``chamber_NAME``.
        ambient_c, tank_c: air around, and skin of the tank, when they were recorded.
        command: 1 while the brakes are told to apply.
        written_in: unit that each pressure was written in, for wording.
    """

    time_s: FloatArray
    pressure_pa: Mapping[str, FloatArray]
    ambient_c: FloatArray | None = None
    tank_c: FloatArray | None = None
    command: FloatArray | None = None
    written_in: Mapping[str, str] = field(default_factory=dict)


def load_trace(path: str | Path) -> PressureTrace:
    """A pressure trace from a CSV file.

    Raises:
        InputError: no such file, or it is not a trace; the message says which line and what.
    """
    header, rows = read_table(path, "time_s,supply_psi")
    label = Path(path).name
    found = _pressures(f"{label}:1", header)
    if len(rows) < 2:
        raise InputError(f"{label}: {len(rows)} rows of readings; a trace needs two or more")
    cells = [[number(row.at, *pair) for pair in zip(header, row.cells, strict=True)] for row in rows]
    table = dict(zip(header, np.array(cells).T, strict=True))
    late = np.flatnonzero(np.diff(table["time_s"]) <= 0)
    if late.size:
        raise InputError(f"{rows[late[0] + 1].at}: time_s does not rise ({table['time_s'][late[0] + 1]:g})")
    return PressureTrace(
        time_s=table["time_s"],
        pressure_pa={each.quantity: table[each.column] * _PA[each.unit] for each in found},
        ambient_c=table.get("ambient_c"),
        tank_c=table.get("tank_c"),
        command=table.get("command"),
        written_in={each.quantity: _WRITTEN[each.unit] for each in found},
    )


class _Pressure(NamedTuple):
    column: str
    quantity: str
    unit: str


def _pressures(at: str, header: Sequence[str]) -> list[_Pressure]:
    """The pressure columns of a header that is one of a trace."""
    found = [_Pressure(name, match[1], match[2]) for name in header if (match := _PRESSURE.fullmatch(name))]
    known = {"time_s", *_OTHERS, *(each.column for each in found)}
    for name in header:
        if name not in known:
            raise InputError(f"{at}: unknown column {name[:40]!r}; known are {_KNOWN}")
    if "time_s" not in header or not found:
        raise InputError(f"{at}: needs time_s and a pressure column; known are {_KNOWN}")
    quantities = [each.quantity for each in found]
    for quantity in quantities:
        if quantities.count(quantity) > 1:
            raise InputError(f"{at}: {quantity} in two units; keep one column")
    return found
