"""What a sound harness should read, for the tables of measured against limit."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from bench.electrical.harness import Harness, build
from bench.electrical.laws import FILAMENT
from bench.electrical.network import Solution, feeds_of, solve, sound_network
from bench.profiles.model import BoardErrors, Circuit, Profile, Reading

LAMP_LIMIT_SHARE = 0.85  # of the bulb's design voltage; 13 CCR 1249(c)


@dataclass(frozen=True, slots=True)
class Interval:
    """A value with two standard uncertainties (95 %) either way."""

    value: float
    plus_minus: float

    @property
    def low(self) -> float:
        """Smallest value to expect."""
        return self.value - self.plus_minus

    @property
    def high(self) -> float:
        """Largest value to expect."""
        return self.value + self.plus_minus


@dataclass(frozen=True, slots=True)
class ExpectedCircuit:
    """A circuit of a sound harness, driven alone with both returns.

    Attributes:
        current_a: steady, as the board would read it (its gain and offset error are in the interval).
        cold_ohm: seen by the cold pulse from pin to board; None where nothing conducts cold.
        lamp_v: across each load by name.
        ground_v: highest voltage of the loads' ground sides.
    """

    circuit: Circuit
    current_a: Interval
    cold_ohm: Interval | None
    lamp_v: dict[str, float]
    ground_v: float


def expected(
    profile: Profile, ambient_c: float = 20.0, supply_v: float | None = None, board: BoardErrors | None = None
) -> tuple[ExpectedCircuit, ...]:
    """What each circuit of a sound harness takes, one after the other.

    ``supply_v`` is at the pins, 12.6 or 25.2 V unless given; ``board`` is what the readings will
    be made with, ordinary errors unless given.
    """
    board = board or BoardErrors()
    supply = supply_v if supply_v is not None else 1.05 * profile.nominal_v
    harness = build(profile)
    hot = _alone(harness, "drive", ambient_c, supply, board)
    cold = _alone(harness, "pulse", ambient_c, supply, board)
    return tuple(_circuit(harness, row, circuit, hot, cold, board) for row, circuit in enumerate(profile.circuits))


def _alone(harness: Harness, how: str, ambient_c: float, supply_v: float, board: BoardErrors) -> Solution:
    readings = [
        Reading("drive" if how == "drive" else "pulse", "both", (circuit.pin,), {circuit.pin: supply_v})
        for circuit in harness.profile.circuits
    ]
    ground_pins = harness.profile.connector.ground_pins
    feeds = feeds_of(readings, harness.pins, ground_pins, board, supply_v)
    return solve(sound_network(harness, ambient_c), feeds)


def _circuit(
    harness: Harness, row: int, circuit: Circuit, hot: Solution, cold: Solution, board: BoardErrors
) -> ExpectedCircuit:
    column = harness.pins.index(circuit.pin)
    amps = float(hot.pin_a[row, column])
    a, b = harness.load_ends
    across = hot.node_v[row, a] - hot.node_v[row, b]
    mine = [i for i, load in enumerate(harness.loads) if load.circuit == circuit.name]
    return ExpectedCircuit(
        circuit,
        Interval(amps, 2 * current_sigma(harness, hot, row, amps, board)),
        _cold(harness, cold, row, column, mine, board),
        {harness.loads[i].name: float(across[i]) for i in mine},
        max((float(hot.node_v[row, b[i]]) for i in mine), default=0.0),
    )


def current_sigma(harness: Harness, solution: Solution, row: int, amps: float, board: BoardErrors) -> float:
    """One standard uncertainty of a circuit's reading: lamps (independent), gain, offset."""
    shares = [0.5 * load.tolerance * solution.load_a[row, i] for i, load in enumerate(harness.loads)]
    sensor = (board.current_gain_error * amps) ** 2 + board.current_offset_a**2 + board.current_noise_a**2
    return float((np.sum(np.square(shares)) + sensor) ** 0.5)


def _cold(
    harness: Harness, cold: Solution, row: int, column: int, mine: Sequence[int], board: BoardErrors
) -> Interval | None:
    amps = float(cold.pin_a[row, column])
    if not any(harness.laws.kind[i] == FILAMENT for i in mine) or amps <= 0:
        return None
    ohm = float(cold.node_v[row, harness.pin_nodes[column]]) / amps
    spread = 0.5 * np.mean([harness.loads[i].tolerance for i in mine]) / len(mine) ** 0.5
    relative = (spread**2 + 0.07**2 + board.current_gain_error**2) ** 0.5
    return Interval(ohm, float(2 * (relative * ohm + board.voltage_offset_v / amps)))
