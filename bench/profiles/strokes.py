"""Push-rod strokes as somebody measured them: CSV with a wheel end and a stroke in each row."""

from pathlib import Path

from bench.errors import InputError
from bench.profiles.air_model import AirSystem
from bench.profiles.chambers import CHAMBERS
from bench.profiles.csv_file import Row, number, read_table
from bench.profiles.library import near
from bench.profiles.wire import METRES_PER_INCH

_M = {"stroke_in": METRES_PER_INCH, "stroke_mm": 1e-3}
_BEYOND = 1.05  # a push rod does not leave its chamber


def load_strokes(path: str | Path, air: AirSystem) -> dict[str, float]:
    """Strokes in m by wheel end.

    Raises:
        InputError: no such file, it is no list of strokes, a wheel end that the trailer lacks or
            that stands twice, or a stroke that no chamber of its type has.
    """
    header, rows = read_table(path, "wheel_end,stroke_in")
    label = Path(path).name
    units = [name for name in header if name in _M]
    if len(header) != 2 or "wheel_end" not in header or len(units) != 1:
        raise InputError(f"{label}:1: the columns are wheel_end and stroke_in (or stroke_mm)")
    if not rows:
        raise InputError(f"{label}: no strokes")
    strokes_m: dict[str, float] = {}
    for row in rows:
        name, stroke_m = _stroke(row, header, units[0], air)
        if name in strokes_m:
            raise InputError(f"{row.at}: '{name}' stands here twice")
        strokes_m[name] = stroke_m
    return strokes_m


def _stroke(row: Row, header: tuple[str, ...], unit: str, air: AirSystem) -> tuple[str, float]:
    cells = dict(zip(header, row.cells, strict=True))
    name = cells["wheel_end"]
    ends = {each.name: each for each in air.wheel_ends}
    if name not in ends:
        raise InputError(f"{row.at}: no wheel end '{name[:40]}' in the profile{near(name, ends)}")
    stroke_m = number(row.at, unit, cells[unit]) * _M[unit]
    end = ends[name]
    full_m = CHAMBERS[end.chamber].full_stroke_m(end.long_stroke)
    if not 0 <= stroke_m <= _BEYOND * full_m:
        shown = f"{full_m / _M[unit]:.3g} {unit.removeprefix('stroke_')}"
        raise InputError(
            f"{row.at}: {unit} {cells[unit]} is no stroke of a type {end.chamber} chamber (full stroke {shown}); "
            "is the unit right?"
        )
    return name, stroke_m
