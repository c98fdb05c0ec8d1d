"""The ground return: how much resistance, in which path, and whether the paths agree.

An undriven pin carries no current, so it shows the voltage of the ground its lamp sits at: a
free sense wire. With the return through the connector pin alone, that voltage over the current
is the resistance of the pin's path; with the chassis clamp alone, of the chassis path; with
both, the currents must split the other way round. A second clamp without current (Kelvin
sense) tells the clamp's own contact from the bond behind it.

Limits: sound to 0.10 ohm beyond the wire, marginal to 0.30 ohm, high above (common practice,
no source).
"""

from dataclasses import dataclass
from typing import Literal

from bench.profiles.model import BoardErrors

SOUND_OHM = 0.10
MARGINAL_OHM = 0.30
MISSING_SHARE = 0.05

Grade = Literal["sound", "marginal", "high"]


@dataclass(frozen=True, slots=True)
class Resistance:
    """A resistance with one standard uncertainty."""

    ohm: float
    plus_minus_ohm: float


@dataclass(frozen=True, slots=True)
class KelvinSplit:
    """The chassis path in two: the board's clamp, and the bond between frame and harness."""

    clamp: Resistance
    bond: Resistance


def path_resistance(sense_v: float, current_a: float, board: BoardErrors) -> Resistance:
    """Resistance of a return path that alone carries ``current_a``.

    Args:
        sense_v: voltage of an undriven pin (or sense lead) whose lamp sits at the far end.
        current_a: current that returns; must not be zero.
        board: gives the uncertainty.
    """
    ohm = sense_v / current_a
    voltage_error = (board.voltage_offset_v**2 + board.voltage_noise_v**2) ** 0.5 / abs(current_a)
    current_error = ohm * (board.current_gain_error**2 + (board.current_offset_a / current_a) ** 2) ** 0.5
    return Resistance(ohm, (voltage_error**2 + current_error**2) ** 0.5)


def shared_current(total_a: float, pin_ohm: float, chassis_ohm: float) -> tuple[float, float]:
    """How ``total_a`` should split between pin and chassis: inversely to the resistances."""
    pin_a = total_a * chassis_ohm / (pin_ohm + chassis_ohm)
    return pin_a, total_a - pin_a


def paths_agree(
    pin: Resistance, chassis: Resistance, pin_a: float, chassis_a: float, board: BoardErrors, sigmas: float = 3.0
) -> bool:
    """Whether the split with both returns is the one that the two resistances predict."""
    expected_a, _ = shared_current(pin_a + chassis_a, pin.ohm, chassis.ohm)
    loop = pin.ohm + chassis.ohm
    relative = ((pin.plus_minus_ohm / pin.ohm) ** 2 + (chassis.plus_minus_ohm / chassis.ohm) ** 2) ** 0.5
    spread_a = (pin_a + chassis_a) * (pin.ohm * chassis.ohm / loop**2) * relative
    reading_a = (board.current_offset_a**2 + (board.current_gain_error * pin_a) ** 2) ** 0.5
    return bool(abs(pin_a - expected_a) <= sigmas * (spread_a**2 + reading_a**2) ** 0.5)


def kelvin_split(rear_v: float, sense_v: float, current_a: float, board: BoardErrors) -> KelvinSplit:
    """Tell a bad clamp from a bad bond.

    Args:
        rear_v: an undriven pin whose lamp sits at the bonded ground.
        sense_v: the second clamp on the frame, which carries nothing.
        current_a: current into the board by the chassis clamp.
        board: gives the uncertainty.
    """
    return KelvinSplit(
        clamp=path_resistance(sense_v, current_a, board),
        bond=path_resistance(rear_v - sense_v, current_a, board),
    )


def grade(beyond_wire_ohm: float) -> Grade:
    """How good a ground path is, by what it has beyond its wire."""
    if beyond_wire_ohm <= SOUND_OHM:
        return "sound"
    return "marginal" if beyond_wire_ohm <= MARGINAL_OHM else "high"


def is_missing(alone_a: float, both_a: float) -> bool:
    """Whether a path that alone carries ``alone_a`` is no path at all, against ``both_a`` with both."""
    return abs(alone_a) < MISSING_SHARE * abs(both_a)
