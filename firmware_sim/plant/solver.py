"""Newton's method for one implicit stage of the network with its devices.

On broken lines with slopes from 1 nS to kS plain Newton can jump between two pieces for ever.
When it has not converged soon, steps end at the first break they meet (Katzenelson 1965),
which always gets there. On their pieces these devices are linear, so a step that stays on them is
exact however long it was; only filaments and control units have to come close.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from firmware_sim.plant.control_unit import ControlUnit
from firmware_sim.plant.devices import Devices, FloatArray, Stage
from firmware_sim.plant.network import Reduced

GOOD_GUESS_V = 0.02  # a last step below this leaves an error of its square: below 0.1 mV
GOOD_GUESS_WARMTH = 0.003  # of the temperature
CAREFUL_AFTER = 6
MOST_STEPS = 60
MOST_COOLING = -0.7  # of warmth, a step: half the temperature


class Solution(NamedTuple):
    """A solved stage's state and the (m, m) matrix of its last Newton step."""

    state: FloatArray
    matrix: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Circuit:
    """What does not change inside a step: network, sources, devices, discrete states."""

    net: Reduced
    open_v: FloatArray  # ports and
    open_y: FloatArray  # observables when no device takes current
    devices: Devices
    units: Mapping[str, ControlUnit]

    def stage(self, time_share_s: float) -> Stage:
        """Its devices in implicit stages of this time share; tiny holds all states, huge finds the steady state."""
        return Stage(self.devices, self.units, time_share_s)

    def observables(self, state: FloatArray) -> FloatArray:
        """In the order of :class:`firmware_sim.plant.network.Observables`."""
        y: FloatArray = self.open_y - self.net.y_from_i @ state[self.devices.amps]
        return y

    def observables_along(self, path: FloatArray) -> FloatArray:
        """The parabola, shape (3, o), that belongs to a parabola of the state."""
        y: FloatArray = -(path[:, self.devices.amps] @ self.net.y_from_i.T)
        y[0] += self.open_y
        return y


def solve(
    circuit: Circuit,
    stage: Stage,
    base: FloatArray,
    guess: FloatArray,
    good: float = 1.0,
    most_steps: int = MOST_STEPS,
) -> Solution:
    """Solve ``x = base + time_share_s F(x)`` together with Kirchhoff's laws, ``v = open_v - Z i``.

    Args:
        circuit: what is solved.
        stage: of this circuit.
        base: port voltages (used where there is a capacitor) and warmths.
        guess: a state to start from.
        good: accept after a last step below this share of a good guess.
        most_steps: give up after this many and return where they led.
    """
    devices, ohm, open_v = circuit.devices, circuit.net.ohm, circuit.open_v
    stage.begin_at(base)
    v, warmth = guess[devices.volts], guess[devices.warmth]
    for count in range(most_steps):
        stage.linearise(v, warmth)
        matrix = devices.identity + ohm * stage.g
        dv = np.linalg.solve(matrix, open_v - ohm @ stage.i - v).astype(float, copy=False)
        if count >= CAREFUL_AFTER:
            dv = stage.careful_share(v, dv) * dv
        v = v + dv
        near = True
        if warmth.size:
            warming = stage.warming(dv)
            warmth = warmth + np.maximum(warming, MOST_COOLING)
            near = float(np.abs(warming).max()) < good * GOOD_GUESS_WARMTH
        near = near and float((np.abs(dv) * devices.curved).max(initial=0.0)) < good * GOOD_GUESS_V
        moved_on = stage.moves_on(v)
        if near and not moved_on:
            break
    return Solution(np.concatenate((v, warmth, stage.i + stage.g * dv)), matrix)
