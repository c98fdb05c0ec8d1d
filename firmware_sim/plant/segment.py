"""A stretch of plant time on which every value is a parabola."""

from collections.abc import Iterable
from dataclasses import dataclass
from math import inf

import numpy as np

from firmware_sim.plant.devices import FloatArray
from firmware_sim.plant.integrator import Parabola, Step, line
from firmware_sim.plant.network import Reduced
from firmware_sim.plant.solver import State

QUIET_V_OR_A = 1e-3  # one converter step: nobody sees an observable move less
SHORTEST_QUIET_S = 2e-3


@dataclass(slots=True, eq=False)
class Segment:
    """Values from ``start_s`` to ``end_s``; the parabolas take ``length_s`` from s = 0 to 1.

    Attributes:
        y: observables, in the order of :class:`firmware_sim.plant.network.Observables`.
        limiting: channels at their current limit all along.
        pace: no observable changes faster, V/s or A/s.
    """

    start_s: float
    length_s: float
    end_s: float
    y: Parabola
    x: Parabola
    kelvin: Parabola
    limiting: tuple[bool, ...]
    pace: float

    def share(self, time_s: float) -> float:
        """Parameter of the parabolas at ``time_s``."""
        return (time_s - self.start_s) / self.length_s

    def quiet_until_s(self, time_s: float) -> float:
        """No observable moves by a converter step from ``time_s`` to then; ``time_s`` when one soon does."""
        quiet_s = QUIET_V_OR_A / self.pace if self.pace else inf
        return min(time_s + quiet_s, self.end_s) if quiet_s >= SHORTEST_QUIET_S else time_s

    def shares(self, times_s: Iterable[float]) -> list[float]:
        """Parameters of the parabolas at several times."""
        start_s, length_s = self.start_s, self.length_s
        return [(time_s - start_s) / length_s for time_s in times_s]

    def values(self, row: int, shares: Iterable[float]) -> list[float]:
        """One observable at several parameters; in plain floats, which are faster for the few of a tick."""
        c0, c1, c2 = float(self.y.c0[row]), float(self.y.c1[row]), float(self.y.c2[row])
        return [c0 + s * (c1 + s * c2) for s in shares]


def segment_of_step(
    step: Step, start_s: float, net: Reduced, y_constant: FloatArray, limiting: tuple[bool, ...]
) -> Segment:
    """Dense output of ``step``."""
    x = step.x
    y = Parabola(net.from_x @ x.c0 + y_constant, net.from_x @ x.c1, net.from_x @ x.c2)
    pace = float((np.abs(y.c1) + 2 * np.abs(y.c2)).max()) / step.length_s
    return Segment(start_s, step.length_s, start_s + step.length_s, y, x, step.kelvin, limiting, pace)


def steady_segment(
    state: State, start_s: float, end_s: float, net: Reduced, y_constant: FloatArray, limiting: tuple[bool, ...]
) -> Segment:
    """Nothing moves until ``end_s``."""

    def still(values: FloatArray) -> Parabola:
        return line(values, values)

    y = still(net.from_x @ state.x + y_constant)
    return Segment(start_s, 1.0, end_s, y, still(state.x), still(state.kelvin), limiting, pace=0.0)


def crossing(y: Parabola, row: int, level: float) -> float:
    """First s in 0..1 at which ``row`` reaches ``level``, given that it lies on the other side at 1."""
    c0, c1, c2 = float(y.c0[row]) - level, float(y.c1[row]), float(y.c2[row])
    rising = c0 + c1 + c2 > 0
    low, high = 0.0, 1.0
    for _ in range(40):
        s = 0.5 * (low + high)
        if (c0 + s * (c1 + s * c2) > 0) == rising:
            high = s
        else:
            low = s
    return high
