"""Take the measurement plan from a source of true values, with a board's sensor errors on top.

A direct way from a harness to :class:`Measurements`, for figures and tests; inspections go
through the firmware instead.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from random import Random
from typing import Protocol

from bench.electrical.plan import plan
from bench.profiles.model import BoardErrors, Measurements, Profile, Reading, ReturnName

LIMIT_A = 15.0
SHORT_OHM = 0.62
SHARED_GAIN = 0.9  # of the gain error's standard deviation, common to all channels
OWN_GAIN = (1 - SHARED_GAIN**2) ** 0.5
SAMPLES = 4  # averaged by the board


@dataclass(frozen=True, slots=True)
class Truths:
    """True values of one setting; ``limited`` when the board's current limit was reached."""

    pin_v: Mapping[int, float]
    pin_a: Mapping[int, float]
    return_a: Mapping[str, float]
    chassis_sense_v: float
    supply_v: float
    limited: bool = False


class Source(Protocol):
    """A harness behind a board, asked in the order of the plan."""

    def take(self, how: str, returns: ReturnName, driven: Sequence[int]) -> Truths:
        """Settle (cold for probe and pulse) and read."""


@dataclass
class Sensors:
    """One board's errors, drawn once."""

    rng: Random
    board: BoardErrors
    gains: dict[str, float] = field(default_factory=dict)
    offsets: dict[str, float] = field(default_factory=dict)

    def current(self, channel: str, amps: float) -> float:
        """A reading of ``amps`` by the sensor of ``channel``."""
        shared = self._gain("all current", SHARED_GAIN * self.board.current_gain_error)
        own = self._gain(f"current {channel}", OWN_GAIN * self.board.current_gain_error)
        offset = self._offset(f"current {channel}", self.board.current_offset_a)
        noise = self.rng.gauss(0, self.board.current_noise_a / SAMPLES**0.5)
        return round(amps * (1 + shared + own) + offset + noise, 3)

    def voltage(self, channel: str, volts: float) -> float:
        """A reading of ``volts`` by the sensor of ``channel``."""
        gain = self._gain("all voltage", self.board.voltage_gain_error)
        offset = self._offset(f"voltage {channel}", self.board.voltage_offset_v)
        noise = self.rng.gauss(0, self.board.voltage_noise_v / SAMPLES**0.5)
        return round(volts * (1 + gain) + offset + noise, 3)

    def _gain(self, what: str, sigma: float) -> float:
        return self.gains.setdefault(what, self.rng.gauss(0, sigma))

    def _offset(self, what: str, sigma: float) -> float:
        return self.offsets.setdefault(what, self.rng.gauss(0, sigma))


def measure(
    profile: Profile,
    source: Source,
    rng: Random,
    *,
    board: BoardErrors | None = None,
    ambient_c: float = 20.0,
    steps: Sequence[Reading] | None = None,
) -> Measurements:
    """Take ``steps`` (the whole plan unless given); a pin that the pulse shows to be shorted is not driven."""
    board = board or BoardErrors(pulse_ohm=10.0 if profile.nominal_v == 12 else 20.0)
    sensors = Sensors(rng, board)
    taken: list[Reading] = []
    for step in plan(profile) if steps is None else steps:
        if step.how == "drive" and any(_shorted(pin, taken, board) for pin in step.driven):
            continue
        taken.append(_read(step, source.take(step.how, step.returns, step.driven), sensors))
    supply_v = taken[0].supply_v if taken and taken[0].supply_v is not None else 12.6
    return Measurements(profile, ambient_c, supply_v, board, tuple(taken))


def _shorted(pin: int, taken: Sequence[Reading], board: BoardErrors) -> bool:
    """A pulse that finds less than half of what two heavy cold lamps have: not a lamp."""
    for reading in taken:
        if reading.how == "pulse" and reading.driven == (pin,) and reading.supply_v is not None:
            amps = (reading.supply_v - reading.pin_v[pin]) / board.pulse_ohm
            return reading.pin_v[pin] < 0.15 * amps
    return False


def _read(step: Reading, truths: Truths, sensors: Sensors) -> Reading:
    return replace(
        step,
        pin_v={pin: sensors.voltage(f"pin {pin}", volts) for pin, volts in truths.pin_v.items()},
        pin_a={pin: sensors.current(f"pin {pin}", amps) for pin, amps in truths.pin_a.items()},
        return_a={name: sensors.current(name, amps) for name, amps in truths.return_a.items()},
        chassis_sense_v=sensors.voltage("sense", truths.chassis_sense_v),
        supply_v=sensors.voltage("supply", truths.supply_v),
        limited=truths.limited,
    )
