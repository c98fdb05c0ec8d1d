"""Readings beside what a sound harness would read in the same board settings."""

from dataclasses import dataclass
from functools import cached_property

from bench.electrical.expected import current_sigma
from bench.electrical.harness import Harness
from bench.electrical.network import Solution
from bench.profiles.model import BoardErrors, Circuit, Measurements, Reading

FOLLOWS_SHARE = 0.6  # an undriven pin at this share of the driven one is joined to it


@dataclass(frozen=True, slots=True)
class Pair:
    """A reading beside what a sound harness reads; ``sigma_a`` of the driven current."""

    reading: Reading
    expected_v: dict[int, float]
    expected_a: dict[int, float]
    sigma_a: float


@dataclass(frozen=True)
class Look:
    """Measurements beside a sound harness, found by what was done."""

    measurements: Measurements
    harness: Harness
    solution: Solution

    @property
    def board(self) -> BoardErrors:
        """The board's errors."""
        return self.measurements.board

    @cached_property
    def pairs(self) -> tuple[Pair, ...]:
        """Every reading beside the sound harness."""
        return tuple(self._pair(row, reading) for row, reading in enumerate(self.measurements.readings))

    def _pair(self, row: int, reading: Reading) -> Pair:
        pins, solution = self.harness.pins, self.solution
        volts = dict(zip(pins, solution.node_v[row, self.harness.pin_nodes].tolist(), strict=True))
        amps = dict(zip(pins, solution.pin_a[row].tolist(), strict=True))
        total = sum(amps[pin] for pin in reading.driven)
        return Pair(reading, volts, amps, current_sigma(self.harness, solution, row, total, self.board))

    def alone(self, how: str, pin: int, *returns: str) -> Pair | None:
        """The first reading of ``pin`` fed alone ``how``, by preference of ``returns``; tripped ones left out."""
        for wanted in returns or ("both", "chassis", "pin"):
            for pair in self.pairs:
                reading = pair.reading
                right = reading.how == how and reading.driven == (pin,) and reading.returns == wanted
                if right and not reading.tripped:
                    return pair
        return None

    def loads(self, circuit: Circuit) -> list[int]:
        """Positions of a circuit's loads."""
        return [i for i, load in enumerate(self.harness.loads) if load.circuit == circuit.name]

    def row(self, pair: Pair) -> int:
        """The row of a pair in the solution."""
        return self.pairs.index(pair)


def takes_more(pair: Pair, pin: int) -> bool:
    """A circuit that feeds another one takes more than alone, unless it was open; a lost ground takes less."""
    if pair.reading.how != "drive" or pin not in pair.reading.pin_a:
        return True
    return pair.reading.pin_a[pin] > pair.expected_a[pin] - 2 * pair.sigma_a or pair.reading.limited
