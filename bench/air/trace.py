"""What can be wrong with a pressure trace before any physics."""

import numpy as np

from bench.air.gas import PSI_PA
from bench.air.settling import FloatArray
from bench.profiles.traces import PressureTrace

HIGHEST_PA = 200 * PSI_PA
LOWEST_PA = -3 * PSI_PA
LEAST_CHARGE_PA = 30 * PSI_PA  # below it the leak's flow need not be choked
_AT_REST_PA = 2 * PSI_PA
_LEAST_REPEATS = 20
_LEAST_STUCK_S = 10.0
_FEW_VALUES = 3


def implausible(trace: PressureTrace, line: str) -> str | None:
    """Why a line's readings can't be those of a charged, closed line; None when they can."""
    pressure = trace.pressure_pa[line]
    first = float(np.median(pressure[:10]))
    written_in = trace.written_in.get(line)
    out_of_range = _out_of_range(pressure, first, written_in)
    if out_of_range:
        return out_of_range
    other = trace.pressure_pa.get("service" if line == "supply" else "supply")
    if other is not None and _swapped(line, first, float(np.median(other[:10]))):
        return "service is higher than supply: the two columns (or sensors) look swapped"
    if first < LEAST_CHARGE_PA:
        hint = "; does the column hold psi?" if written_in == "kPa" and first > LEAST_CHARGE_PA / 7 else ""
        return f"only {first / PSI_PA:.1f} psi ({first / 1000:.0f} kPa): not charged, or not connected{hint}"
    stuck = stuck_since(trace.time_s, pressure)
    if stuck is not None:
        return f"the reading repeats to the last digit from {stuck:.0f} s on: stuck sensor, or too coarse a record"
    return None


def at_rest(trace: PressureTrace, line: str) -> bool:
    """Whether a service line beside a charged supply held no pressure: the brakes were released."""
    supply = trace.pressure_pa.get("supply")
    if line != "service" or supply is None:
        return False
    charged = float(np.median(supply)) >= LEAST_CHARGE_PA
    return charged and float(np.abs(trace.pressure_pa[line]).max()) < _AT_REST_PA


def stuck_since(time_s: FloatArray, readings: FloatArray) -> float | None:
    """When a sensor began to repeat one value; None while it moves as sensors do.

    A coarse but living record repeats itself in short runs all over; a stuck one in a long run at the end.
    """
    moved = np.flatnonzero(np.diff(readings) != 0)
    last = int(moved[-1]) + 1 if moved.size else 0
    repeats = readings.size - last
    if repeats < _LEAST_REPEATS or time_s[-1] - time_s[last] < _LEAST_STUCK_S:
        return None
    runs = np.diff(np.concatenate([[-1], moved]))
    usual = float(np.max(runs)) if runs.size >= _FEW_VALUES else 1.0
    return float(time_s[last]) if repeats > 3 * usual else None


def _out_of_range(pressure: FloatArray, first: float, written_in: str | None) -> str | None:
    highest, lowest = float(pressure.max()), float(pressure.min())
    if highest > HIGHEST_PA:
        hint = "; does the column hold kPa?" if written_in == "psi" and first > 2 * HIGHEST_PA else ""
        return f"{highest / PSI_PA:.0f} psi ({highest / 1000:.0f} kPa) is beyond any trailer's air{hint}"
    if lowest < LOWEST_PA:
        return f"{lowest / PSI_PA:.1f} psi ({lowest / 1000:.0f} kPa) is below nothing: sensor unplugged"
    return None


def _swapped(line: str, own_pa: float, other_pa: float) -> bool:
    supply, service = (own_pa, other_pa) if line == "supply" else (other_pa, own_pa)
    return service > supply + 5 * PSI_PA
