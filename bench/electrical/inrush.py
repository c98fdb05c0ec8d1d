"""The steady current of a lamp circuit from the first tenth of a second.

Theory. A filament's resistance ``R = V / I`` is its thermometer: ``T ~ R**(1/1.2)``. What goes
in either heats it or leaves it: ``V I = c d(R**(5/6))/dt + k R**p``, where the exponent of the
loss ``p = 1.55/0.45`` makes the steady current follow ``V**0.55``. Integrated from the start of
the window, both unknowns enter linearly, noise is smoothed and no derivative is taken:

    energy(t) = c (R**(5/6)(t) - R**(5/6)(0)) + k integral R**p

When the heating is over, ``V**2 = k R**(p + 1)``. LED lamps on the same pin add a constant
current from the start; it is scanned for, and subtracted before the thermometer is read.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from bench.electrical.laws import FILAMENT_EXPONENT, TUNGSTEN_EXPONENT, FloatArray

_LOSS = (1 + FILAMENT_EXPONENT) / (1 - FILAMENT_EXPONENT)
_HEAT = 1 / TUNGSTEN_EXPONENT
_LEAST_SAMPLES = 12
_LEAST_FALL = 0.01
_WIRE_SHARES = np.linspace(0.0, 0.8, 17)
_CLEARLY_BETTER = 2.0
_MODEL_SHARE = 0.03  # mixed sizes, heat lost by conduction: of what the extrapolation had to add
_CONSTANT_SHARES = np.linspace(0.0, 0.9, 10)


@dataclass(frozen=True, slots=True)
class _Fit:
    steady_a: float
    residual: float


def settled_current(dt_s: float, current_a: Sequence[float], voltage_v: Sequence[float]) -> tuple[float, float]:
    """Current the circuit will settle at, before it has.

    Args:
        dt_s: time between samples.
        current_a: at the pin, from switch-on; a soft-start plateau may be in it.
        voltage_v: the same samples of the pin's voltage.

    Returns:
        Steady current at the last voltage, and one standard uncertainty (A). About 0.1 % from 120 ms
        of small filaments, 1 % of heavy pairs or mixed sizes.

    Raises:
        ValueError: fewer than 12 samples, or lengths differ.
    """
    amps, volts = np.asarray(current_a, float), np.asarray(voltage_v, float)
    if len(amps) != len(volts) or len(amps) < _LEAST_SAMPLES:
        raise ValueError(f"an inrush needs {_LEAST_SAMPLES} or more samples of current and voltage, the same of each")
    tail = max(len(amps) // 5, 4)
    last_a, noise_a = float(amps[-tail:].mean()), _noise(amps[len(amps) // 4 :])  # behind the steps of a soft-start
    fall = float(np.median(amps[len(amps) // 3 : len(amps) // 3 + tail]) - last_a)
    if fall < max(_LEAST_FALL * abs(last_a), 4 * noise_a) or volts[-1] < 1.0:
        return last_a, noise_a / tail**0.5 + 0.1 * abs(fall)
    starts = (len(amps) // 10, len(amps) // 4)
    whole, late = (_best_fit(dt_s, amps, volts, start) for start in starts)
    if whole is None:
        return last_a, abs(fall)
    disagreement = abs(whole.steady_a - late.steady_a) if late else abs(fall)
    still_to_go = abs(last_a - whole.steady_a)
    error_a = 0.5 * disagreement + _MODEL_SHARE * still_to_go + noise_a / len(amps) ** 0.5
    return whole.steady_a, error_a + 0.0005 * whole.steady_a


def _noise(samples: FloatArray) -> float:
    """Standard deviation from second differences, blind to the trend."""
    return float(np.std(np.diff(samples, 2)) / 6**0.5)


def _best_fit(dt_s: float, amps: FloatArray, volts: FloatArray, start: int) -> _Fit | None:
    """The constant share of the current that lets the energy balance close best; none unless it is clearly better."""
    floor_a = float(amps[-len(amps) // 5 :].min())
    fits = [_with_wire(dt_s, amps, volts, start, share * floor_a) for share in _CONSTANT_SHARES]
    known = [fit for fit in fits if fit is not None]
    if not known:
        return None
    best, plain = min(known, key=lambda fit: fit.residual), fits[0]
    return plain if plain is not None and plain.residual < _CLEARLY_BETTER * best.residual else best


def _with_wire(dt_s: float, amps: FloatArray, volts: FloatArray, start: int, constant_a: float) -> _Fit | None:
    """Scan the wire's resistance, which a filament's first resistance bounds, for the best closing balance."""
    first_ohm = float((volts / np.maximum(amps, 1e-6))[: max(start // 4, 3)].min())
    lamp_a = np.maximum(amps[start:] - constant_a, 1e-6)
    shares = _WIRE_SHARES
    for _ in range(3):
        fits = [_balance(dt_s, lamp_a, volts[start:], share * first_ohm) for share in shares]
        residuals = [fit.residual if fit else np.inf for fit in fits]
        best = int(np.argmin(residuals))
        width = 0.5 * (shares[1] - shares[0])
        shares = np.clip(np.linspace(shares[best] - width, shares[best] + width, 3), 0.0, 0.9)
    fit = fits[best]
    return _Fit(constant_a + fit.steady_a, fit.residual) if fit else None


def _balance(dt_s: float, lamp_a: FloatArray, pin_v: FloatArray, wire_ohm: float) -> _Fit | None:
    lamp_v = pin_v - wire_ohm * lamp_a
    ohm = lamp_v / lamp_a
    if ohm.min() <= 0:  # more wire than there is voltage, as where a contact came and went
        return None
    energy = _integral(lamp_v * lamp_a, dt_s)
    columns = np.column_stack([ohm**_HEAT - ohm[0] ** _HEAT, _integral(ohm**_LOSS, dt_s)])
    scale = columns.std(axis=0)
    if not np.all(scale > 0):
        return None
    answer, *_ = np.linalg.lstsq(columns / scale, energy, rcond=None)
    loss = float(answer[1] / scale[1])
    if loss <= 0:
        return None
    misfit = energy - columns @ (answer / scale)
    return _Fit(_steady(float(pin_v[-1]), loss, wire_ohm), float(misfit.std() / energy[-1]))


def _steady(pin_v: float, loss: float, wire_ohm: float) -> float:
    """Current at which the filament loses what it takes in, behind its wire."""
    amps = 0.0
    for _ in range(30):
        lamp_v = max(pin_v - wire_ohm * amps, 0.1 * pin_v)
        amps = lamp_v / float((lamp_v**2 / loss) ** (1 / (_LOSS + 1)))
    return amps


def _integral(values: FloatArray, dt_s: float) -> FloatArray:
    middles = 0.5 * (values[1:] + values[:-1]) * dt_s
    return np.concatenate([[0.0], np.cumsum(middles)])
