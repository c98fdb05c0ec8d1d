"""A stretch of plant time on which every value is a parabola."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf

import numpy as np

from firmware_sim.plant.devices import FloatArray
from firmware_sim.plant.integrator import Step, along, line
from firmware_sim.plant.solver import Circuit

QUIET_V_OR_A = 1e-3  # one converter step: nobody sees an observable move less
SHORTEST_QUIET_S = 2e-3
MOST_IN_FLOATS = 32


@dataclass(slots=True, eq=False)
class Segment:
    """Values from ``start_s`` to ``end_s``; the parabolas take ``length_s`` from s = 0 to 1.

    Attributes:
        y: observables, in the order of :class:`firmware_sim.plant.network.Observables`, as a parabola.
        state: as a parabola.
        limiting: channels at their current limit all along.
        pace: no observable changes faster, V/s or A/s.
    """

    start_s: float
    length_s: float
    end_s: float
    y: FloatArray
    state: FloatArray
    limiting: tuple[bool, ...]
    pace: float

    def state_at(self, time_s: float) -> FloatArray:
        """The state at ``time_s``."""
        return along(self.state, self.share(time_s))

    def y_at(self, time_s: float) -> FloatArray:
        """The observables at ``time_s``."""
        return along(self.y, self.share(time_s))

    def share(self, time_s: float) -> float:
        """Parameter of the parabolas at ``time_s``."""
        return (time_s - self.start_s) / self.length_s

    def quiet_until_s(self, time_s: float) -> float:
        """No observable moves by a converter step from ``time_s`` to then; ``time_s`` when one soon does."""
        quiet_s = QUIET_V_OR_A / self.pace if self.pace else inf
        return min(time_s + quiet_s, self.end_s) if quiet_s >= SHORTEST_QUIET_S else time_s

    def values(self, rows: tuple[int, int], times_s: Sequence[float]) -> tuple[list[float], list[float]]:
        """Two observables at several times; the few of a tick in plain floats, which are faster for them."""
        (a0, b0), (a1, b1), (a2, b2) = self.y[:, rows].tolist()
        start_s, length_s = self.start_s, self.length_s
        if len(times_s) > MOST_IN_FLOATS:
            share = (np.array(times_s) - start_s) / length_s
            return (a0 + share * (a1 + share * a2)).tolist(), (b0 + share * (b1 + share * b2)).tolist()
        shares = [(time_s - start_s) / length_s for time_s in times_s]
        return [a0 + s * (a1 + s * a2) for s in shares], [b0 + s * (b1 + s * b2) for s in shares]


def segment_of_step(step: Step, start_s: float, circuit: Circuit, limiting: tuple[bool, ...]) -> Segment:
    """Dense output of ``step``."""
    y = circuit.observables_along(step.path)
    pace = float((np.abs(y[1]) + 2 * np.abs(y[2])).max()) / step.length_s
    return Segment(start_s, step.length_s, start_s + step.length_s, y, step.path, limiting, pace)


def steady_segment(
    state: FloatArray, start_s: float, end_s: float, circuit: Circuit, limiting: tuple[bool, ...]
) -> Segment:
    """Nothing moves until ``end_s``."""
    path = line(state, state)
    return Segment(start_s, 1.0, end_s, circuit.observables_along(path), path, limiting, pace=0.0)


def crossing(path: FloatArray, row: int, level: float) -> float:
    """First s in 0..1 at which ``row`` reaches ``level``, given that it lies on the other side at 1."""
    c0, c1, c2 = path[:, row].tolist()
    c0 -= level
    rising = c0 + c1 + c2 > 0
    low, high = 0.0, 1.0
    for _ in range(40):
        s = 0.5 * (low + high)
        if (c0 + s * (c1 + s * c2) > 0) == rising:
            high = s
        else:
            low = s
    return high
