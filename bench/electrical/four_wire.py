"""Four-wire resistance: what is between two sense points while a known current flows. Pure.

The voltage of the pin and that of the sense lead are read by one converter, so its gain error is nearly the same for
both and goes into the small difference only; their offsets are taken away by reading the same two without current
(current reversal's simpler brother; the methods are in any text on low-level measurement). What is left is noise, the
converter's steps and the current's own error:

    r = ((v - s) - (v0 - s0)) / i

    u(r)^2 = 2 (u_noise^2 / n) / i^2 + (r u_gain)^2 + (r u_i)^2 + (r u_offset / i)^2
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot, sqrt
from statistics import fmean

NOISE_V = 0.002  # of one reading, a mean over 10 ms included; the contract's wanted board
COVERAGE = 2.0  # about 95 %


@dataclass(frozen=True, slots=True)
class Pair:
    """One reading of both sense points and the current between them."""

    near_v: float
    far_v: float
    current_a: float


@dataclass(frozen=True, slots=True)
class Resistance:
    """Ohm, with the expanded uncertainty (about 95 %)."""

    ohm: float
    plus_minus: float


def four_wire(
    flowing: Sequence[Pair],
    at_rest: Sequence[Pair],
    *,
    voltage_gain_error: float,
    current_gain_error: float,
    current_offset_a: float,
    noise_v: float = NOISE_V,
) -> Resistance | None:
    """The resistance between two sense points; None without a current to speak of.

    Args:
        flowing: readings with the current on.
        at_rest: readings of the same with nothing fed.
        voltage_gain_error: standard uncertainty, relative, like the next.
        current_gain_error: of the current.
        current_offset_a: standard uncertainty of its offset.
        noise_v: standard deviation of one voltage reading.
    """
    current_a = fmean(pair.current_a for pair in flowing)
    if current_a <= 3 * current_offset_a:
        return None
    offset_v = fmean(pair.near_v - pair.far_v for pair in at_rest)
    ohm = (fmean(pair.near_v - pair.far_v for pair in flowing) - offset_v) / current_a
    noise_ohm = noise_v * sqrt(2 / len(flowing) + 2 / len(at_rest)) / current_a
    relative = hypot(voltage_gain_error, current_gain_error, current_offset_a / current_a)
    return Resistance(ohm, COVERAGE * hypot(noise_ohm, ohm * relative))
