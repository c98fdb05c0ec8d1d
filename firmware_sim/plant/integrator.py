"""Adaptive L-stable steps of temperatures and capacitor voltages, with dense output.

TR-BDF2 (Bank et al. 1985; Hosea & Shampine 1996): a trapezoidal stage to t + gamma h, then a
second-order backward difference over both parts. It is second order, L-stable, and both stages
have the same implicit time share, so one code solves both. All three points of a step are
second-order accurate, and the parabola through them is the dense output: whoever asks for a
value inside the step gets it without another solution.

After a jump of a capacitor three backward Euler steps, at most 260 us together, damp what is faster
(a small capacitor on a stiff supply); only there are the plant's transients not resolved.

What is made for every stage is a named tuple: a frozen dataclass takes several times as long.
"""

from math import sqrt
from typing import NamedTuple

import numpy as np

from firmware_sim.plant.devices import FloatArray
from firmware_sim.plant.solver import Circuit, Solution, State, solve

GAMMA = 2 - sqrt(2)
SHARE = GAMMA / 2  # implicit time share of both stages, of the step
BDF_NEW = 1 / (GAMMA * (2 - GAMMA))
BDF_OLD = -((1 - GAMMA) ** 2) * BDF_NEW
ERROR = (-3 * GAMMA**2 + 4 * GAMMA - 2) / (6 * (2 - GAMMA))
ERROR_WEIGHTS = (ERROR / GAMMA, -ERROR / (GAMMA * (1 - GAMMA)), ERROR / (1 - GAMMA))

INSTANT_S = 1e-9
ENDLESS_S = 1e9
STEADY_GOOD_V = 1e-4
STEADY_STEPS = 5
DAMPING_STEPS_S = (20e-6, 60e-6, 180e-6)
CALM_V = 0.01  # a capacitor that moves less in the first of them needs none
FIRST_WARMING = 0.05  # of the temperature, in the first step after a discontinuity
LONGEST_FIRST_STEP_S = 2e-3
EULER_WARMING = 0.015  # of the temperature, in an Euler step
SHORTEST_STEP_S = 1e-6
LONGEST_STEP_S = 2.0
TEMPERATURE_TOLERANCE = 1e-3  # of the temperature, a step
VOLTAGE_TOLERANCE_V = 1e-3  # of a capacitor, a step
MOST_GROWTH = 6.0
MOST_SHRINK, LEAST_SHRINK = 0.1, 0.5  # of a rejected step; after a kink the estimate falls slower than its order
SAFETY = 0.85


class Rates(NamedTuple):
    """Rates of change: K/s of filaments, V/s of ports (of no consequence where there is no capacitor)."""

    kelvin: FloatArray
    volts: FloatArray


class Parabola(NamedTuple):
    """Values along a step, ``c0 + s (c1 + s c2)`` with s = 0..1."""

    c0: FloatArray
    c1: FloatArray
    c2: FloatArray

    def at(self, s: float) -> FloatArray:
        """Value at ``s``."""
        result: FloatArray = self.c0 + s * (self.c1 + s * self.c2)
        return result


def line(start: FloatArray, end: FloatArray) -> Parabola:
    """A straight line as a parabola."""
    return Parabola(start, end - start, np.zeros_like(start))


def parabola(start: FloatArray, middle: FloatArray, end: FloatArray) -> Parabola:
    """Through the three points of a TR-BDF2 step."""
    rise = end - start
    c2 = ((middle - start) / GAMMA - rise) / (GAMMA - 1)
    return Parabola(start, rise - c2, c2)


class Step(NamedTuple):
    """A step of ``length_s`` with its dense output.

    Attributes:
        next_s: what the error allows for the next step.
        estimated: false for an Euler step, whose error nobody has estimated.
    """

    length_s: float
    next_s: float
    x: Parabola
    kelvin: Parabola
    end: State
    rates: Rates
    estimated: bool


class Integrator:
    """Steps one circuit from one discontinuity to the next."""

    def __init__(self, circuit: Circuit, start: State) -> None:
        """Begin with states ``start.v`` (at capacitors) and ``start.kelvin``; the rest is solved for."""
        self.circuit = circuit
        self.state = solve(circuit, INSTANT_S, (start.v, start.kelvin), (start.x, start.kelvin)).state
        self._rates = _rates(self.state, (start.v, start.kelvin), INSTANT_S)
        self._damping = self._damping_steps()
        self._last: Step | None = None
        self._next_s = min(FIRST_WARMING / self._warming_per_s(), LONGEST_FIRST_STEP_S)

    def step(self, longest_s: float) -> Step:
        """Compute a step of at most ``longest_s``; nothing moves before :meth:`accept`."""
        if self._damping:
            return self._euler(min(self._damping[0], longest_s))
        length_s = min(self._next_s, longest_s, LONGEST_STEP_S)
        while True:
            step, error = self._try(length_s, self._rates)
            if error <= 1.0 or length_s <= SHORTEST_STEP_S:
                return step
            shrink = SAFETY * error ** (-1 / 3)
            length_s = max(SHORTEST_STEP_S, length_s * min(max(shrink, MOST_SHRINK), LEAST_SHRINK))

    def accept(self, step: Step) -> None:
        """Go on from the end of ``step``."""
        self.state, self._rates, self._next_s, self._last = step.end, step.rates, step.next_s, step
        if not step.estimated:
            del self._damping[0]

    def fastest_k_per_s(self) -> float:
        """Fastest filament."""
        return float(np.abs(self._rates.kelvin).max(initial=0.0))

    def steady(self) -> State:
        """The steady state near the present one, all rates zero; somewhere else when there is none near."""
        state, guess = self.state, (self.state.x, self.state.kelvin)
        return solve(self.circuit, ENDLESS_S, (state.v, state.kelvin), guess, STEADY_GOOD_V, STEADY_STEPS).state

    def _damping_steps(self) -> list[float]:
        """None when no capacitor jumps; short ones when a filament warms fast, since Euler is of first order."""
        jump_v_per_s = float(np.abs(self._rates.volts * self.circuit.devices.is_capacitor).max(initial=0.0))
        if jump_v_per_s * DAMPING_STEPS_S[0] < CALM_V:
            return []
        shorter = min(1.0, EULER_WARMING / (self._warming_per_s() * DAMPING_STEPS_S[-1]))
        return [max(length_s * shorter, SHORTEST_STEP_S) for length_s in DAMPING_STEPS_S]

    def _warming_per_s(self) -> float:
        """Fastest relative warming, with a floor for divisions."""
        return float((np.abs(self._rates.kelvin) / self.state.kelvin).max(initial=1e-3))

    def _euler(self, length_s: float) -> Step:
        start = self.state
        base = (start.v, start.kelvin)
        end = solve(self.circuit, length_s, base, (start.x, start.kelvin)).state
        x, kelvin = line(start.x, end.x), line(start.kelvin, end.kelvin)
        return Step(length_s, length_s * MOST_GROWTH, x, kelvin, end, _rates(end, base, length_s), estimated=False)

    def _try(self, length_s: float, rates: Rates) -> tuple[Step, float]:
        start, share_s = self.state, SHARE * length_s
        base = (start.v + share_s * rates.volts, start.kelvin + share_s * rates.kelvin)
        middle = solve(self.circuit, share_s, base, self._guess_middle(length_s)).state
        middle_rates = _rates(middle, base, share_s)
        base = (BDF_NEW * middle.v + BDF_OLD * start.v, BDF_NEW * middle.kelvin + BDF_OLD * start.kelvin)
        solved = solve(self.circuit, share_s, base, self._guess_end(length_s, middle))
        end = solved.state
        end_rates = _rates(end, base, share_s)
        error = self._error(length_s, (rates, middle_rates, end_rates), solved)
        next_s = length_s * min(MOST_GROWTH, SAFETY * max(error, 1e-9) ** (-1 / 3))
        x, kelvin = parabola(start.x, middle.x, end.x), parabola(start.kelvin, middle.kelvin, end.kelvin)
        return Step(length_s, next_s, x, kelvin, end, end_rates, estimated=True), error

    def _guess_middle(self, length_s: float) -> tuple[FloatArray, FloatArray]:
        """The last step's parabola, continued."""
        if self._last is None:
            return self.state.x, self.state.kelvin + GAMMA * length_s * self._rates.kelvin
        s = 1 + GAMMA * length_s / self._last.length_s
        return self._last.x.at(s), self._last.kelvin.at(s)

    def _guess_end(self, length_s: float, middle: State) -> tuple[FloatArray, FloatArray]:
        """The parabola through start and middle with the slope at the start."""
        start = self.state
        kelvin = _continued(start.kelvin, length_s * self._rates.kelvin, middle.kelvin)
        if self._last is None:
            return start.x + (middle.x - start.x) / GAMMA, kelvin
        slope = (self._last.x.c1 + 2 * self._last.x.c2) * (length_s / self._last.length_s)
        return _continued(start.x, slope, middle.x), kelvin

    def _error(self, length_s: float, rates: tuple[Rates, Rates, Rates], end: Solution) -> float:
        """Estimated local error over its tolerance."""
        first, second, third = (length_s * weight for weight in ERROR_WEIGHTS)
        kelvin = first * rates[0].kelvin + second * rates[1].kelvin + third * rates[2].kelvin
        worst = float((np.abs(kelvin) / end.state.kelvin).max(initial=0.0)) / TEMPERATURE_TOLERANCE
        if self.circuit.devices.has_capacitors:
            volts = first * rates[0].volts + second * rates[1].volts + third * rates[2].volts
            worst = max(worst, self._capacitor_error_v(volts, length_s, end) / VOLTAGE_TOLERANCE_V)
        return worst

    def _capacitor_error_v(self, volts: FloatArray, length_s: float, end: Solution) -> float:
        """Largest capacitor error; when large, what one more implicit solution leaves of it.

        That solution damps what is too fast to matter (Hosea & Shampine 1996).
        """
        largest_v = float(np.abs(volts * self.circuit.devices.is_capacitor).max())
        if largest_v < VOLTAGE_TOLERANCE_V:
            return largest_v
        net = self.circuit.net
        charge_a = volts * self.circuit.devices.capacitance_f / (SHARE * length_s)
        left = net.incidence_t @ np.linalg.solve(end.jacobian, net.incidence @ charge_a)
        return float(np.abs(left).max())


def _rates(state: State, base: tuple[FloatArray, FloatArray], share_s: float) -> Rates:
    return Rates((state.kelvin - base[1]) / share_s, (state.v - base[0]) / share_s)


def _continued(start: FloatArray, slope: FloatArray, middle: FloatArray) -> FloatArray:
    """At s = 1, the parabola with value and slope at s = 0 and a value at s = gamma."""
    return start + slope + (middle - start - GAMMA * slope) / GAMMA**2
