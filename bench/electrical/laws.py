"""Steady current of every load type against its voltage, for many readings at once.

Filament: hot, the current follows the 0.55th power of the voltage (Fink and Beaty's lamp
re-rating rule); cold, it is a plain resistance, the hot one divided by the cold ratio
(tungsten: ``R`` grows with the absolute temperature to the power 1.2). Between the two it loses
heat by radiation and, the more the colder it is, by conduction through gas and leads:
``x**2 = t**1.2 ((1 - c) G + c D)`` ties voltage to temperature, both over their rated values, where
``G`` (radiated) grows as ``t**q`` and ``D`` (conducted) as ``t``, both from ambient, with ``q`` such that
the rule holds at the rating. The conducted share ``c`` is a few percent to
a fifth and differs from lamp to lamp, which is why lamps fed backwards are weakly predicted.
LED lamp: nothing backwards, a leak below a threshold, a series resistance, then
a regulated current. Control unit: constant power above its lock-out voltage.

All corners are rounded by a few millivolts or a percent, so that Newton's method converges.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray

from bench.profiles.model import ControlUnit, Diode, Filament, Led, Load, LoadType, Resistor

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

FILAMENT_EXPONENT = 0.55  # Fink & Beaty, Standard Handbook for Electrical Engineers: I ~ V**0.55
TUNGSTEN_EXPONENT = 1.2  # textbook fit of tungsten's resistivity against temperature
ROOM_K = 293.15
CONDUCTED_SHARE = 0.06  # of the rated power, typical; handbook range 2 to 20 % (from memory)
_AMBIENT = 13.0 ** (-1 / TUNGSTEN_EXPONENT)  # over the rated working temperature
_TEMPERATURES = _AMBIENT + np.concatenate([[0.0], np.geomspace(1e-4, 1.6, 600)])
_THRESHOLD_SOFTNESS_V = 0.02
_KNEE = 12.0
COLD_READING_S = 0.004  # how long a probe or pulse has lasted when it is read, about
_LOCKOUT_SOFTNESS_V = 0.05
_REVERSE_S = 1e-9


def cold_ratio(rated_w: float) -> float:
    """Hot resistance at the rated voltage over the resistance at 20 degC.

    12 to 14 for vehicle lamps: a larger filament is run hotter. (Common practice: 10 to 15.)
    """
    return float(13.0 * (rated_w / 10.0) ** 0.07)


def filament_heat_j_per_k(lamp: Filament) -> float:
    """Heat capacity of a tungsten filament, from its rating alone.

    Surface from the radiated power (emissivity 0.25), section from the resistance, both at the
    working temperature. Textbook tungsten: 19,300 kg/m3, 132 J/(kg K).
    """
    hot_ohm = lamp.rated_v**2 / lamp.rated_w
    hot_k = ROOM_K * cold_ratio(lamp.rated_w) ** (1 / TUNGSTEN_EXPONENT)
    resistivity = 5.65e-8 * (hot_k / 300.0) ** TUNGSTEN_EXPONENT
    flux = 0.25 * 5.67e-8 * hot_k**4
    radius = float((resistivity * lamp.rated_w / (2 * np.pi**2 * flux * hot_ohm)) ** (1 / 3))
    length = lamp.rated_w / (2 * np.pi * radius * flux)
    return float(19_300 * 132 * np.pi * radius**2 * length)


@dataclass(frozen=True)
class LoadLaws:
    """The loads of a harness as columns; ``kind`` picks the law of each.

    ``n`` loads; ``first``..``fourth`` hold the parameters of its type in the order of the
    profile's dataclass (filament: hot ohm, rated V, cold ohm at 20 degC).
    """

    kind: NDArray[np.int64]
    first: FloatArray
    second: FloatArray
    third: FloatArray
    fourth: FloatArray
    leak_s: FloatArray

    @cached_property
    def parts(self) -> "tuple[tuple[int, NDArray[np.int64], LoadLaws], ...]":
        """Every kind that occurs, with the positions of its loads and the columns of those alone."""
        kinds = [(int(kind), np.flatnonzero(self.kind == kind)) for kind in np.unique(self.kind)]
        return tuple((kind, which, self._only(which)) for kind, which in kinds)

    def _only(self, which: NDArray[np.int64]) -> "LoadLaws":
        columns = (self.first, self.second, self.third, self.fourth, self.leak_s)
        return LoadLaws(self.kind[which], *(column[which] for column in columns))

    @classmethod
    def of(cls, loads: Sequence[Load]) -> "LoadLaws":
        """Columns for ``loads``, in their order."""
        rows = [_columns(load.type) for load in loads]
        table = np.array(rows, dtype=float).reshape(len(rows), 6)
        return cls(table[:, 0].astype(np.int64), *(table[:, i].copy() for i in range(1, 6)))


FILAMENT, LED, RESISTOR, DIODE, UNIT = range(5)


def _columns(load: LoadType) -> tuple[float, float, float, float, float, float]:
    match load:
        case Filament(rated_v, rated_w):
            hot_ohm = rated_v**2 / rated_w
            return (FILAMENT, hot_ohm, rated_v, hot_ohm / cold_ratio(rated_w), 0.0, 0.0)
        case Led():
            return (LED, load.threshold_v, load.series_ohm, load.current_a, load.slope_a_per_v, 1 / load.leak_ohm)
        case Resistor(ohm):
            return (RESISTOR, ohm, 0.0, 0.0, 0.0, 0.0)
        case Diode(forward_v, series_ohm):
            return (DIODE, forward_v, series_ohm, 0.0, 0.0, 1e-9)
        case ControlUnit():
            return (UNIT, load.power_w, load.lockout_v, load.capacitance_f / COLD_READING_S, 0.0, 1 / load.leak_ohm)


def load_current(
    laws: LoadLaws,
    volts: FloatArray,
    factor: FloatArray,
    cold: BoolArray,
    cold_scale: FloatArray,
    conducted: float = CONDUCTED_SHARE,
) -> tuple[FloatArray, FloatArray]:
    """Current through each load and its slope dI/dV.

    Args:
        laws: ``n`` loads.
        volts: shape (readings, n), a to b.
        factor: (readings, n) or (n,), multiplies the current; 0 is a missing load.
        cold: (readings, n), filaments are still cold and control units not yet awake.
        cold_scale: (n,) or (readings, n), multiplies the cold resistance of filaments (temperature).
        conducted: share of the rated power that filaments conduct away.
    """
    amps, slope = np.empty_like(volts), np.empty_like(volts)
    scale = np.broadcast_to(cold_scale, volts.shape)
    for kind, which, own in laws.parts:
        across, asleep = volts[:, which], cold[:, which]
        if kind == FILAMENT:
            found = _filament(own, across, asleep, scale[:, which], conducted)
        else:
            found = _OTHERS[kind](own, across, asleep)
        amps[:, which], slope[:, which] = found
    return amps * factor, slope * factor


Law = tuple[FloatArray, FloatArray]


def _filament(laws: LoadLaws, volts: FloatArray, cold: BoolArray, scale: FloatArray, conducted: float) -> Law:
    hot_ohm, rated_v = laws.first, laws.second
    cold_s = 1 / (laws.third * scale)
    share, rise = _warm_current(volts / rated_v, conducted)
    amps = np.where(cold, volts * cold_s, share * (rated_v / hot_ohm))
    return amps, np.where(cold, cold_s, rise / hot_ohm)


def filament_current(laws: LoadLaws, volts: FloatArray, conducted: float) -> FloatArray:
    """Settled current (n, loads) of the filaments among some loads at ``volts`` across them; 0 for the others."""
    amps = np.zeros_like(volts)
    for kind, which, own in laws.parts:
        if kind == FILAMENT:
            share, _ = _warm_current(volts[:, which] / own.second, conducted)
            amps[:, which] = share * (own.second / own.first)
    return amps


def _warm_current(relative_v: FloatArray, conducted: float) -> Law:
    """Settled current over the rated one and its slope, both against voltage over the rated one."""
    volts, amps, slopes = _warm_table(conducted)
    size = np.abs(relative_v)
    piece = np.minimum(np.searchsorted(volts, size, side="right") - 1, len(slopes) - 1)
    return np.sign(relative_v) * (amps[piece] + slopes[piece] * (size - volts[piece])), slopes[piece]


@lru_cache(maxsize=64)
def _warm_table(conducted: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Voltages, currents, and slopes between them; linear in between, so that slopes are exact."""
    loss = TUNGSTEN_EXPONENT * (1 + FILAMENT_EXPONENT) / (1 - FILAMENT_EXPONENT)
    radiated = (loss - conducted) / (1 - conducted)
    glow = (_TEMPERATURES**radiated - _AMBIENT**radiated) / (1 - _AMBIENT**radiated)
    drift = (_TEMPERATURES - _AMBIENT) / (1 - _AMBIENT)
    ohm = _TEMPERATURES**TUNGSTEN_EXPONENT
    volts = np.sqrt(np.maximum(ohm * ((1 - conducted) * glow + conducted * drift), 0.0))
    volts[0] = 0.0
    amps = volts / ohm
    return volts, amps, np.diff(amps) / np.diff(volts)


def _led(laws: LoadLaws, volts: FloatArray, _cold: BoolArray) -> Law:
    threshold, series, limit, tilt = laws.first, laws.second, laws.third, laws.fourth
    rising, rising_slope = _soft_rise((volts - threshold) / series, _THRESHOLD_SOFTNESS_V / series)
    regulated = np.maximum(limit + tilt * (volts - threshold - limit * series), 0.1 * limit)
    # The smaller of the two, rounded: a p-norm, which is smooth, rising, and zero where either is.
    ratio = (rising / regulated) ** _KNEE
    smaller = (1 + ratio) ** (-1 / _KNEE)
    slope = smaller / (1 + ratio) * (rising_slope / series + ratio * rising / regulated * tilt)
    # A diode stands before everything, so it leaks forwards only.
    leak = np.where(volts < 0, _REVERSE_S, laws.leak_s)
    return rising * smaller + volts * leak, slope + leak


def _soft_rise(value: FloatArray, width: FloatArray) -> Law:
    """Zero below zero, ``value`` above, rounded over ``width``; and its slope."""
    relative = value / width
    return width * np.logaddexp(0.0, relative), 1 / (1 + np.exp(np.minimum(-relative, 60.0)))


def _resistor(laws: LoadLaws, volts: FloatArray, _cold: BoolArray) -> Law:
    conductance = np.broadcast_to(1 / laws.first, volts.shape)
    return volts * conductance, conductance


def _diode(laws: LoadLaws, volts: FloatArray, _cold: BoolArray) -> Law:
    series = laws.second
    amps, slope = _soft_rise((volts - laws.first) / series, _THRESHOLD_SOFTNESS_V / series)
    return amps + volts * laws.leak_s, slope / series + laws.leak_s


def _unit(laws: LoadLaws, volts: FloatArray, cold: BoolArray) -> Law:
    power, lockout = laws.first, laws.second
    awake = 1 / (1 + np.exp(np.minimum((lockout - volts) / _LOCKOUT_SOFTNESS_V, 60.0)))
    safe = np.maximum(volts, 1.0)
    # Asleep, its input capacitor takes what a few milliseconds put in. Awake, the true slope is slightly
    # negative; zero keeps Newton's matrix positive and the answer the same.
    slope = np.where(cold, laws.third, 0.0) + laws.leak_s
    return np.where(cold, 0.0, awake * power / safe) + volts * slope, slope


_OTHERS = {LED: _led, RESISTOR: _resistor, DIODE: _diode, UNIT: _unit}
