"""The one place where units are converted and put into words.

Inside everything is SI (``V``, ``A``, ``ohm``, ``s``, ``Pa``, ``m``, ``degC``). People see the units of their
profile, with the other system beside it where the two differ. Units are written as results write
them (``ohm``, ``m``, ``Pa/s``) and come out as the trade prints them (``Ω``, ``ft``, ``psi/min``).

Sources: inch, foot and pound-force are exact by definition (international yard and pound agreement of
1959; NIST SP 811, appendix B), so 1 psi = 4.4482216152605 N / (0.0254 m)².
"""

import math
import re
from collections.abc import Iterable, Sequence
from typing import Literal, NamedTuple

from bench.errors import InputError

System = Literal["us", "metric"]

INCH_M = 0.0254
FOOT_M = 0.3048
PSI_PA = 4.4482216152605 / INCH_M**2


class _Unit(NamedTuple):
    """``si = shown * factor + offset`` within one dimension; ``sign`` is how it is printed."""

    dimension: str
    factor: float
    sign: str
    offset: float = 0.0


_UNITS = {
    "V": _Unit("voltage", 1, "V"),
    "mV": _Unit("voltage", 1e-3, "mV"),
    "A": _Unit("current", 1, "A"),
    "mA": _Unit("current", 1e-3, "mA"),
    "uA": _Unit("current", 1e-6, "µA"),
    "ohm": _Unit("resistance", 1, "Ω"),
    "mohm": _Unit("resistance", 1e-3, "mΩ"),
    "kohm": _Unit("resistance", 1e3, "kΩ"),
    "Mohm": _Unit("resistance", 1e6, "MΩ"),
    "W": _Unit("power", 1, "W"),
    "s": _Unit("time", 1, "s"),
    "ms": _Unit("time", 1e-3, "ms"),
    "min": _Unit("time", 60, "min"),
    "h": _Unit("time", 3600, "h"),
    "Hz": _Unit("frequency", 1, "Hz"),
    "m": _Unit("length", 1, "m"),
    "mm": _Unit("length", 1e-3, "mm"),
    "cm": _Unit("length", 1e-2, "cm"),
    "in": _Unit("length", INCH_M, "in"),
    "ft": _Unit("length", FOOT_M, "ft"),
    "Pa": _Unit("pressure", 1, "Pa"),
    "kPa": _Unit("pressure", 1e3, "kPa"),
    "bar": _Unit("pressure", 1e5, "bar"),
    "psi": _Unit("pressure", PSI_PA, "psi"),
    "Pa/s": _Unit("pressure rate", 1, "Pa/s"),
    "kPa/min": _Unit("pressure rate", 1e3 / 60, "kPa/min"),
    "bar/min": _Unit("pressure rate", 1e5 / 60, "bar/min"),
    "psi/min": _Unit("pressure rate", PSI_PA / 60, "psi/min"),
    "L": _Unit("volume", 1e-3, "L"),
    "L/min": _Unit("flow", 1e-3 / 60, "L/min"),
    "degC": _Unit("temperature", 1, "°C"),
    "degF": _Unit("temperature", 5 / 9, "°F", -160 / 9),
    "%": _Unit("ratio", 1e-2, "%"),
    "1": _Unit("ratio", 1, ""),
}

# What people of each system read for a unit that results may use; a unit not here stays as it is.
_SHOWN: dict[str, tuple[str, str]] = {  # unit: (us, metric)
    "m": ("ft", "m"),
    "ft": ("ft", "m"),
    "mm": ("in", "mm"),
    "in": ("in", "mm"),
    "Pa": ("psi", "kPa"),
    "kPa": ("psi", "kPa"),
    "bar": ("psi", "kPa"),
    "psi": ("psi", "kPa"),
    "Pa/s": ("psi/min", "kPa/min"),
    "kPa/min": ("psi/min", "kPa/min"),
    "bar/min": ("psi/min", "kPa/min"),
    "psi/min": ("psi/min", "kPa/min"),
    "degC": ("degF", "degC"),
    "degF": ("degF", "degC"),
}

_SMALLER = {"V": "mV", "A": "mA", "mA": "uA", "ohm": "mohm", "s": "ms"}
_BIGGER = {"ohm": "kohm", "kohm": "Mohm"}
_SMALL, _BIG = 0.1, 1000.0

_WRITTEN = {"µA": "uA", "Ω": "ohm", "mΩ": "mohm", "kΩ": "kohm", "MΩ": "Mohm", "°C": "degC", "°F": "degF", "": "1"}
_SUFFIXES = {
    "a": "A", "ma": "mA", "v": "V", "mv": "mV", "pa": "Pa", "kpa": "kPa", "psi": "psi", "c": "degC", "ohm": "ohm",
}  # fmt: skip
_SIGNS = {unit.sign for unit in _UNITS.values()}
_QUANTITY = re.compile(r"\s*([+-]?\d+(?:\.\d+)?(?:[eE][+-]?\d+)?)\s*([^\s\d].*?)?\s*")


def convert(value: float, unit: str, into: str) -> float:
    """``value`` in another unit of the same dimension.

    Raises:
        InputError: a unit that is not known, or of another dimension.
    """
    one, other = _unit(unit), _unit(into)
    if one.dimension != other.dimension:
        raise InputError(f"{unit} is a {one.dimension}, {into} is a {other.dimension}")
    return (value * one.factor + one.offset - other.offset) / other.factor


def parse_quantity(text: str) -> tuple[float, str]:
    """A number and its unit, from what people type: ``3 psi/min``, ``0.2ohm``, ``50 kPa``.

    Raises:
        InputError: not a number with a unit that is known.
    """
    found = _QUANTITY.fullmatch(text)
    if not found:
        raise InputError(f"{text!r}: not a number with a unit, such as '3 psi/min'")
    written = (found[2] or "").strip()
    unit = _WRITTEN.get(written, written)
    _unit(unit)
    return float(found[1]), unit


def sign(unit: str) -> str:
    """How a unit is printed; an unknown one as it is."""
    return _UNITS[unit].sign if unit in _UNITS else unit


def shown_unit(unit: str, system: System) -> str:
    """The unit that people of ``system`` read where a result says ``unit``."""
    pair = _SHOWN.get(unit)
    return unit if pair is None else pair[system == "metric"]


def columns(values: Sequence[float | None], unit: str, system: System) -> tuple[list[str], str]:
    """Numbers that belong together (a value and its limits) in one unit people can read.

    Returns:
        The numbers as text ("" for None) and the printed unit.
    """
    unit = _WRITTEN.get(unit, unit)
    into = shown_unit(unit, system)
    converted = [value if value is None or into == unit else convert(value, unit, into) for value in values]
    scaled = _readable(converted, into)
    if scaled != into:
        converted = [value if value is None else convert(value, into, scaled) for value in converted]
    return ["" if value is None else number(value) for value in converted], sign(scaled)


def text(value: float, unit: str, system: System) -> str:
    """One quantity in the units of ``system``: ``24.6 ft``."""
    (figure,), printed = columns([value], unit, system)
    if value == 1 and printed not in _SIGNS:
        printed = printed.removesuffix("s")  # "1 lamp", of a unit that is a word
    return figure if not printed else f"{figure}%" if printed == "%" else f"{figure} {printed}"


def both(value: float, unit: str, system: System) -> str:
    """One quantity, with the other system in brackets where that differs: ``24.6 ft (7.5 m)``."""
    other: System = "metric" if system == "us" else "us"
    if shown_unit(unit, system) == shown_unit(unit, other):
        return text(value, unit, system)
    return f"{text(value, unit, system)} ({text(value, unit, other)})"


def spread(value: float, plus_minus: float | None, unit: str, system: System) -> str:
    """A quantity with its uncertainty, to a sensible figure: ``39 ft ± 3.6 ft``."""
    if not plus_minus:
        return text(value, unit, system)
    into = shown_unit(unit, system)
    shown, doubt = (each if into == unit else convert(each, unit, into) for each in (value, plus_minus))
    decimals = max(0, 1 - math.floor(math.log10(doubt)))
    return f"{number(round(shown, decimals), 6)} ± {number(doubt, 2)} {sign(into)}"


def column_quantity(column: str) -> tuple[str, str]:
    """Name and unit of a recording's column: ``current_a`` is a current in A; no known suffix, a pure number."""
    name, _, suffix = column.rpartition("_")
    if name and suffix in _SUFFIXES:
        return name.replace("_", " "), _SUFFIXES[suffix]
    return column.replace("_", " "), "1"


def number(value: float, digits: int = 3) -> str:
    """To ``digits`` significant figures or the nearest whole; no exponent; with a true minus sign."""
    if math.isnan(value):
        return "no number"
    if math.isinf(value):
        return "∞" if value > 0 else "−∞"
    if value == 0:
        return "0"
    decimals = digits - 1 - math.floor(math.log10(abs(value)))
    figure = f"{value:.{max(0, min(decimals, 12))}f}"
    figure = figure.rstrip("0").rstrip(".") if "." in figure else figure
    return "0" if figure in ("-0", "0") else figure.replace("-", "−")


def _unit(name: str) -> _Unit:
    if name not in _UNITS:
        raise InputError(f"unit {name!r} is not known; known are {', '.join(key for key in _UNITS if key != '1')}")
    return _UNITS[name]


def _readable(values: Iterable[float | None], unit: str) -> str:
    """The same unit, or one a thousand times smaller or bigger, by the largest of the numbers."""
    largest = max((abs(value) for value in values if value is not None and math.isfinite(value)), default=0.0)
    if 0 < largest < _SMALL and unit in _SMALLER:
        return _readable([largest * 1000], _SMALLER[unit])
    if largest >= _BIG and unit in _BIGGER:
        return _readable([largest / 1000], _BIGGER[unit])
    return unit
