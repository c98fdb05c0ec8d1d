"""The signature of a load: how its current begins, beside how it stays. Pure.

A resistor, a heater or a coil at rest begins as it stays; a filament begins with several times as much, a control unit
or an LED lamp with the charge of its capacitor. So the shape tells one sort of load from another that takes the same
current in the end.
"""

from bench.profiles.model import Load, Resistor
from bench.results import Trace, Value, Verdict
from bench.sequences.values import judged

LASTS_SHARE = 0.25  # of the recording, its end: what stays
WITHIN = 0.05
NOISE_A = 0.02
RESISTOR_RATIO = 1.25
DRAWING = "resistors begin as they stay; from the drawing"


def signature(circuit: str, loads: tuple[Load, ...], trace: Trace) -> list[Value]:
    """Peak beside what stays, and when the current is within 5 % of that; limits where the loads are resistors."""
    current_a = trace.columns["current_a"]
    last = current_a[-max(round(len(current_a) * LASTS_SHARE), 1) :]
    stays_a = sum(last) / len(last)
    if stays_a <= NOISE_A:
        return []
    plain = bool(loads) and all(isinstance(load.type, Resistor) for load in loads)
    ratio = max(current_a) / stays_a
    high = RESISTOR_RATIO + 3 * NOISE_A / stays_a if plain else None
    return [
        judged(
            f"{circuit} first over last current",
            ratio,
            "1",
            high=high,
            outside=Verdict.UNSURE,
            source=DRAWING if plain else None,
        ),
        judged(f"{circuit} settles in", _settles_s(current_a, stays_a, trace.dt_s), "s"),
    ]


def _settles_s(current_a: tuple[float, ...], stays_a: float, dt_s: float) -> float:
    """Until the current no longer leaves 5 % of what stays."""
    allowed_a = max(WITHIN * stays_a, NOISE_A)
    away = [no for no, amps in enumerate(current_a) if abs(amps - stays_a) > allowed_a]
    return (away[-1] + 1) * dt_s if away else 0.0
