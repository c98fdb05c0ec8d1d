"""Newton's method for one implicit stage of the network with its devices.

On broken lines with slopes from 1 nS to kS plain Newton can jump between two pieces for ever.
When it has not converged soon, steps end at the first break they meet (Katzenelson 1965),
which always gets there.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from firmware_sim.plant.control_unit import ControlUnit
from firmware_sim.plant.devices import Devices, FloatArray, Stage
from firmware_sim.plant.network import Reduced

GOOD_GUESS_V = 0.02  # a last step below this leaves an error of its square: below 0.1 mV
GOOD_GUESS_K = 5.0
CAREFUL_AFTER = 6
MOST_STEPS = 60


class State(NamedTuple):
    """Terminal voltages x (p,), port voltages v (m,), filament temperatures (k,)."""

    x: FloatArray
    v: FloatArray
    kelvin: FloatArray


class Solution(NamedTuple):
    """A solved stage and the (p, p) matrix of its last Newton step."""

    state: State
    jacobian: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Circuit:
    """What does not change inside a step: network, sources, devices, discrete states."""

    net: Reduced
    into: FloatArray  # source currents into the terminals, (p,)
    devices: Devices
    units: Mapping[str, ControlUnit]


def solve(
    circuit: Circuit,
    time_share_s: float,
    base: tuple[FloatArray, FloatArray],
    guess: tuple[FloatArray, FloatArray],
    good_v: float = GOOD_GUESS_V,
    most_steps: int = MOST_STEPS,
) -> Solution:
    """Solve ``x = base + time_share_s F(x)`` together with Kirchhoff's laws.

    Args:
        circuit: what is solved.
        time_share_s: the stage's implicit time; tiny holds all states, huge finds the steady state.
        base: port voltages (used where there is a capacitor) and temperatures.
        guess: terminal voltages and temperatures to start from.
        good_v: accept after a last step below this.
        most_steps: give up after this many and return where they led.
    """
    net, g, incidence_t = circuit.net, circuit.net.g, circuit.net.incidence_t
    stage = Stage(circuit.devices, circuit.units, time_share_s, *base)
    x, kelvin = guess
    v = incidence_t @ x
    good_k = GOOD_GUESS_K * good_v / GOOD_GUESS_V
    for count in range(most_steps):
        stage.linearise(v, kelvin)
        residual = circuit.into - g @ x - net.incidence @ stage.i
        jacobian = g + (net.incidence * stage.g) @ incidence_t
        step = np.linalg.solve(jacobian, residual)
        dv = incidence_t @ step
        if count >= CAREFUL_AFTER:
            share = stage.careful_share(v, dv)
            step, dv = share * step, share * dv
        x = x + step
        v = v + dv
        warming = stage.temperature_step(dv) if kelvin.size else kelvin
        kelvin = np.maximum(kelvin + warming, 0.5 * kelvin) if kelvin.size else kelvin
        near = np.abs(dv).max(initial=0.0) < good_v and np.abs(warming).max(initial=0.0) < good_k
        if near and not stage.on_other_pieces(v):
            break
    return Solution(State(x, v, kelvin), jacobian)
