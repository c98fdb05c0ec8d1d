"""Adaptive L-stable steps of filament warmths and capacitor voltages, with dense output.

TR-BDF2 (Bank et al. 1985; Hosea & Shampine 1996): a trapezoidal stage to t + gamma h, then a
second-order backward difference over both parts. It is second order, L-stable, and both stages
have the same implicit time share, so one code solves both. All three points of a step are
second-order accurate, and the parabola through them is the dense output: whoever asks for a
value inside the step gets it without another solution.

After a jump of a capacitor three backward Euler steps, at most 260 us together, damp what is faster
(a small capacitor on a stiff supply); only there are the plant's transients not resolved.

The state is one vector (see :mod:`firmware_sim.plant.devices`) and a parabola three of them, because a numpy
call on so few numbers costs more than its arithmetic. What is made for every stage is a named tuple: a
frozen dataclass takes several times as long.
"""

from math import sqrt
from typing import NamedTuple

import numpy as np

from firmware_sim.plant.devices import FloatArray, Stage
from firmware_sim.plant.solver import Circuit, Solution, solve

GAMMA = 2 - sqrt(2)
SHARE = GAMMA / 2  # implicit time share of both stages, of the step
BDF_NEW = 1 / (GAMMA * (2 - GAMMA))
BDF_OLD = -((1 - GAMMA) ** 2) * BDF_NEW
ERROR = (-3 * GAMMA**2 + 4 * GAMMA - 2) / (6 * (2 - GAMMA))
ERROR_WEIGHTS = (ERROR / GAMMA, -ERROR / (GAMMA * (1 - GAMMA)), ERROR / (1 - GAMMA))

INSTANT_S = 1e-9
ENDLESS_S = 1e9
STEADY_GOOD = 0.005  # of a good guess: 0.1 mV
STEADY_STEPS = 5
DAMPING_STEPS_S = (20e-6, 60e-6, 180e-6)
CALM_V = 0.01  # a capacitor that moves less in the first of them needs none
FIRST_WARMING = 0.05  # of the temperature, in the first step after a discontinuity
LONGEST_FIRST_STEP_S = 2e-3
EULER_WARMING = 0.015  # of the temperature, in an Euler step
SHORTEST_STEP_S = 1e-6
LONGEST_STEP_S = 2.0
WARMTH_TOLERANCE = 2e-3  # of the temperature, a step
VOLTAGE_TOLERANCE_V = 2e-3  # of a capacitor, a step
MOST_GROWTH = 6.0
MOST_SHRINK, LEAST_SHRINK = 0.1, 0.5  # of a rejected step; after a kink the estimate falls slower than its order
SAFETY = 0.85


class Step(NamedTuple):
    """A step of ``length_s`` with its dense output.

    Attributes:
        next_s: what the error allows for the next step.
        path: the state along the step as a parabola.
        rates: of change at the end, V/s of ports (of no consequence without a capacitor) and 1/s of warmths.
        estimated: false for an Euler step, whose error nobody has estimated.
    """

    length_s: float
    next_s: float
    path: FloatArray
    end: FloatArray
    rates: FloatArray
    estimated: bool


def along(path: FloatArray, s: float) -> FloatArray:
    """The parabola ``path``, shape (3, n), at s = 0..1 along its step: ``c0 + s (c1 + s c2)``."""
    result: FloatArray = path[0] + s * (path[1] + s * path[2])
    return result


def line(start: FloatArray, end: FloatArray) -> FloatArray:
    """A straight line as a parabola."""
    return np.array((start, end - start, np.zeros_like(start)))


def parabola(start: FloatArray, middle: FloatArray, end: FloatArray) -> FloatArray:
    """Through the three points of a TR-BDF2 step."""
    rise = end - start
    c2 = ((middle - start) / GAMMA - rise) / (GAMMA - 1)
    return np.array((start, rise - c2, c2))


class Integrator:
    """Steps one circuit from one discontinuity to the next."""

    def __init__(self, circuit: Circuit, start: FloatArray) -> None:
        """Begin with the capacitors' voltages and the warmths of ``start``; the rest is solved for."""
        self.circuit = circuit
        self.state, self._rates = self._implicit(circuit.stage(INSTANT_S), start, start)
        self._damping = self._damping_steps()
        self._last: Step | None = None
        self._next_s = min(FIRST_WARMING / self._warming_per_s(), LONGEST_FIRST_STEP_S)

    def step(self, longest_s: float) -> Step:
        """Compute a step of at most ``longest_s``; nothing moves before :meth:`accept`."""
        if self._damping:
            return self._euler(min(self._damping[0], longest_s))
        length_s = min(self._next_s, longest_s, LONGEST_STEP_S)
        while True:
            step, error = self._try(length_s)
            if error <= 1.0 or length_s <= SHORTEST_STEP_S:
                return step
            shrink = SAFETY * error ** (-1 / 3)
            length_s = max(SHORTEST_STEP_S, length_s * min(max(shrink, MOST_SHRINK), LEAST_SHRINK))

    def accept(self, step: Step) -> None:
        """Go on from the end of ``step``."""
        self.state, self._rates, self._next_s, self._last = step.end, step.rates, step.next_s, step
        if not step.estimated:
            del self._damping[0]

    def fastest_warming_per_s(self) -> float:
        """Fastest filament's relative change of temperature."""
        return float(np.abs(self._rates[self.circuit.devices.warmth]).max(initial=0.0))

    def steady(self) -> FloatArray:
        """The steady state near the present one, all rates zero; somewhere else when there is none near."""
        stage = self.circuit.stage(ENDLESS_S)
        return solve(self.circuit, stage, self.state, self.state, STEADY_GOOD, STEADY_STEPS).state

    def _implicit(self, stage: Stage, base: FloatArray, guess: FloatArray) -> tuple[FloatArray, FloatArray]:
        """State and rates of one stage."""
        state = solve(self.circuit, stage, base, guess).state
        return state, self._rates_of(state, base, stage.time_share_s)

    def _rates_of(self, state: FloatArray, base: FloatArray, share_s: float) -> FloatArray:
        integrated = self.circuit.devices.integrated
        rates: FloatArray = (state[integrated] - base[integrated]) / share_s
        return rates

    def _damping_steps(self) -> list[float]:
        """None when no capacitor jumps; short ones when a filament warms fast, since Euler is of first order."""
        devices = self.circuit.devices
        jump_v_per_s = float(np.abs(self._rates[devices.volts] * devices.is_capacitor).max(initial=0.0))
        if jump_v_per_s * DAMPING_STEPS_S[0] < CALM_V:
            return []
        shorter = min(1.0, EULER_WARMING / (self._warming_per_s() * DAMPING_STEPS_S[-1]))
        return [max(length_s * shorter, SHORTEST_STEP_S) for length_s in DAMPING_STEPS_S]

    def _warming_per_s(self) -> float:
        """Fastest relative warming, with a floor for divisions."""
        return max(self.fastest_warming_per_s(), 1e-3)

    def _euler(self, length_s: float) -> Step:
        end, rates = self._implicit(self.circuit.stage(length_s), self.state, self.state)
        return Step(length_s, length_s * MOST_GROWTH, line(self.state, end), end, rates, estimated=False)

    def _try(self, length_s: float) -> tuple[Step, float]:
        start, rates, integrated = self.state, self._rates, self.circuit.devices.integrated
        share_s = SHARE * length_s
        stage = self.circuit.stage(share_s)
        middle, middle_rates = self._implicit(stage, start[integrated] + share_s * rates, self._guess_middle(length_s))
        base = BDF_NEW * middle + BDF_OLD * start
        solved = solve(self.circuit, stage, base, self._guess_end(length_s, middle))
        end, end_rates = solved.state, self._rates_of(solved.state, base, share_s)
        error = self._error(length_s, (rates, middle_rates, end_rates), solved)
        next_s = length_s * min(MOST_GROWTH, SAFETY * max(error, 1e-9) ** (-1 / 3))
        return Step(length_s, next_s, parabola(start, middle, end), end, end_rates, estimated=True), error

    def _guess_middle(self, length_s: float) -> FloatArray:
        """The last step's parabola, continued."""
        if self._last is not None:
            return along(self._last.path, 1 + GAMMA * length_s / self._last.length_s)
        guess = self.state.copy()
        warmth = self.circuit.devices.warmth
        guess[warmth] += GAMMA * length_s * self._rates[warmth]
        return guess

    def _guess_end(self, length_s: float, middle: FloatArray) -> FloatArray:
        """The parabola through start and middle with the slope at the start."""
        start, warmth = self.state, self.circuit.devices.warmth
        if self._last is None:
            slope = (middle - start) / GAMMA
        else:
            slope = (self._last.path[1] + 2 * self._last.path[2]) * (length_s / self._last.length_s)
        slope[warmth] = length_s * self._rates[warmth]
        guess: FloatArray = start + slope + (middle - start - GAMMA * slope) / GAMMA**2
        return guess

    def _error(self, length_s: float, rates: tuple[FloatArray, FloatArray, FloatArray], end: Solution) -> float:
        """Estimated local error over its tolerance."""
        devices = self.circuit.devices
        first, second, third = (length_s * weight for weight in ERROR_WEIGHTS)
        missed = first * rates[0] + second * rates[1] + third * rates[2]
        worst = 0.0
        if devices.filaments.count:
            worst = float(np.abs(missed[devices.warmth]).max()) / WARMTH_TOLERANCE
        if devices.has_capacitors:
            missed_v = missed[devices.volts] * devices.is_capacitor
            if float(np.abs(missed_v).max()) > worst * VOLTAGE_TOLERANCE_V:
                worst = max(worst, self._damped_v(missed_v, length_s, end) / VOLTAGE_TOLERANCE_V)
        return worst

    def _damped_v(self, missed_v: FloatArray, length_s: float, end: Solution) -> float:
        """What one more implicit solution leaves of capacitor errors: it damps what is too fast to matter.

        After Hosea & Shampine 1996. Most capacitors here settle in microseconds; undamped, their errors
        would hold every step short.
        """
        devices = self.circuit.devices
        charge_a = missed_v * devices.capacitance_f / (SHARE * length_s)
        left = np.linalg.solve(end.matrix, self.circuit.net.ohm @ charge_a)
        return float((np.abs(left) * devices.is_capacitor).max())
