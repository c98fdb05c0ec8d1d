"""States along time: one step of the integrator at a time, with its interpolant.

LSODA (Petzold 1983, scipy): variable order, and it changes between Adams and BDF formulas by itself.
Slow air takes steps of minutes, fast air of fractions of a millisecond, and everything between two steps is
read from the step's own polynomial.
"""

from collections import deque
from collections.abc import Callable

import numpy as np
from scipy.integrate import LSODA  # type: ignore[import-untyped]

from firmware_sim.air.flow import FloatArray

Function = Callable[[float, FloatArray], FloatArray]

FIRST_STEP_S = 1e-4  # air at rest would be answered with a step of years, too long for its first corrector
RELATIVE = 5e-6  # within 0.01 psi even while brakes apply; see the tests
ABSOLUTE = (0.1, 1e-10, 1e-5)  # Pa, kg, K


def absolute(states: int) -> FloatArray:
    """Tolerance of every state: pressures, masses, the wall's temperature."""
    volumes = states // 2
    return np.repeat(ABSOLUTE, [volumes, volumes, 1])


class Step:
    """One step: its end's state, and its polynomial when anything moves in it."""

    def __init__(
        self, start_s: float, end_s: float, end: FloatArray, polynomial: Callable[[float], FloatArray] | None = None
    ) -> None:
        self.start_s, self.end_s, self._end, self._polynomial = start_s, end_s, end, polynomial

    def at(self, time_s: float) -> FloatArray:
        """State at a time inside."""
        return self._end if self._polynomial is None else self._polynomial(time_s)


class Motion:
    """A course of states that is extended to later times and never changed, except by ``restart``.

    Args:
        state: at ``time_s``.
        kept_s: how far back states may be asked for.
    """

    def __init__(self, time_s: float, state: FloatArray, kept_s: float) -> None:
        self._kept_s = kept_s
        self._stillness = absolute(len(state))
        self._steps: deque[Step] = deque([Step(-np.inf, time_s, state)])
        self._solver: LSODA | None = None

    @property
    def end_s(self) -> float:
        """States are known up to here."""
        return self._steps[-1].end_s

    @property
    def last(self) -> Step:
        """The newest step."""
        return self._steps[-1]

    def at(self, time_s: float) -> FloatArray:
        """State at a known time."""
        for step in reversed(self._steps):
            if time_s >= step.start_s:
                break
        return step.at(time_s)

    def restart(self, time_s: float) -> None:
        """Forget everything after ``time_s``."""
        while self._steps[-1].start_s >= time_s and len(self._steps) > 1:
            self._steps.pop()
        self._steps[-1].end_s = time_s
        self._solver = None

    def change(self, change: Callable[[FloatArray], FloatArray]) -> None:
        """Let the last state jump."""
        end_s, state = self.end_s, change(self.at(self.end_s))
        self._steps.append(Step(end_s, end_s, state))
        self._solver = None

    def extend(self, rates: Function, jacobian: Function, bound_s: float) -> None:
        """Take one step, not beyond ``bound_s``.

        Raises:
            RuntimeError: the integrator gave up.
        """
        if self._solver is None or self._solver.status != "running":
            self._solver = self._begin(rates, jacobian, bound_s)
        solver, start_s = self._solver, self.end_s
        message = solver.step()
        if solver.status == "failed":
            raise RuntimeError(f"air plant at {start_s:.6f} s: {message}")
        while len(self._steps) > 1 and self._steps[0].end_s < start_s - self._kept_s:
            self._steps.popleft()
        self._steps.append(self._step(solver, start_s))

    def _step(self, solver: LSODA, start_s: float) -> Step:
        end = solver.y.copy()
        still = bool((np.abs(end - self.last.at(start_s)) < self._stillness).all())
        return Step(start_s, solver.t, end, None if still else solver.dense_output())

    def _begin(self, rates: Function, jacobian: Function, bound_s: float) -> LSODA:
        state = self.at(self.end_s)
        return LSODA(
            rates,
            self.end_s,
            state,
            bound_s,
            rtol=RELATIVE,
            atol=self._stillness,
            jac=jacobian,
            first_step=min(FIRST_STEP_S, bound_s - self.end_s),
        )
