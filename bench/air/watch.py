"""Watching closed lines: filter, sequential test, gates and the scan for steadiness, for many trials at once.

One trial is the bench's live watch or a stored trace; thousands are the figures of merit. Everything
is in ``y = ln p_abs``, leaks in 1/s.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bench.air.sequential import Zone, estimate, evidence
from bench.air.settling import NORMAL, WIDE, FloatArray, SettlingFilter, ThermalModel
from bench.air.steady import SUSPICIOUS, slope_step

DROPPED_S = 6.0  # the closing valve's own ringing
FIRST_DECISION_S = 10.0
WAIT_S = 60.0  # after a fill that may have been fast
UNDECIDED_S = 300.0
AHEAD_S = 5.0  # steps in which the time to a decision is told
ABOUT_MIXED = math.log(2)  # what an edge loses by sharing its weight
_RISES = 2.5  # standard deviations below nothing

NOTHING, PASSED, FAILED = 0, 1, -1


@dataclass(frozen=True, slots=True)
class Sensor:
    """Noise of one sample and walk over one second, both in ln p."""

    noise: float
    walk: float


class Watch:
    """Trials on one time grid, decided one by one as the evidence suffices."""

    def __init__(
        self,
        trials: int,
        zone: Zone,
        sensor: Sensor,
        waited_s: float = 0.0,
        models: tuple[ThermalModel, ThermalModel] = (NORMAL, WIDE),
        not_before_s: float = 0.0,
    ) -> None:
        """Begin before the first sample.

        Args:
            trials: number of traces.
            zone: limit and what no watching removes.
            sensor: its noise.
            waited_s: time between the end of the fill and the trace's zero.
            models: what PASS rests on, and the wider one that must agree before FAIL.
            not_before_s: nothing is decided before this trace time.
        """
        self.zone = zone
        self.decided = np.zeros(trials, dtype=np.int64)
        self.decided_at_s = np.full(trials, np.nan)
        self.bent = np.zeros(trials)
        self.bent_at_s = np.zeros(trials)
        self._sensor = sensor
        self._gate_s = max(DROPPED_S + FIRST_DECISION_S, WAIT_S + FIRST_DECISION_S - waited_s, not_before_s)
        self._normal, self._wide = (SettlingFilter(model, trials, sensor.noise, sensor.walk) for model in models)
        self._times: list[float] = []
        self._seen: list[FloatArray] = []
        self._zero = np.zeros(trials)

    def add(self, time_s: float, y: FloatArray) -> None:
        """Take one sample of every trial and decide what can be decided.

        Args:
            time_s: since the valve closed.
            y: (trials,) ln of absolute pressure.
        """
        if time_s < DROPPED_S:
            return
        if not self._times:
            self._zero = y.copy()
        small = y - self._zero
        self._times.append(time_s)
        self._seen.append(small)
        self._normal.add(time_s, small)
        self._wide.add(time_s, small)
        if self._gate_s <= time_s <= UNDECIDED_S:
            self._decide(time_s)

    @property
    def samples(self) -> int:
        """Samples that counted."""
        return len(self._times)

    def estimate(self) -> tuple[FloatArray, FloatArray]:
        """Mean and standard deviation of each trial's leak, 1/s."""
        return estimate(self._normal.leaks(), self.zone)

    def rises(self) -> NDArray[np.bool_]:
        """(trials,) whether the pressure rises: a valve that passes would hide any leak."""
        mean, deviation = self.estimate()
        return np.asarray(mean + _RISES * deviation < 0)

    def settling(self) -> FloatArray:
        """(trials,) how fast settling lowers ``y`` now, 1/s."""
        return self._normal.settling(self._times[-1])

    def scan(self) -> None:
        """Look for bends in what every trial has shown so far."""
        self._scan(np.arange(len(self.decided)))

    def seconds_to_decision(self) -> float | None:
        """About how much longer the first trial takes; None when not before the watch ends."""
        so_far_s = self._times[-1] - self._times[0]
        ahead = np.arange(self._times[-1] + AHEAD_S, UNDECIDED_S + AHEAD_S, AHEAD_S)
        if not ahead.size or so_far_s <= 0:
            return None
        (mean,), _ = self.estimate()
        fails = mean > self.zone.limit
        edge, other = (self.zone.high, self.zone.low) if fails else (self.zone.low, self.zone.high)
        needed = (self.zone.enough_to_fail if fails else self.zone.enough) + ABOUT_MIXED
        between = (self.zone.high - self.zone.low) * abs(mean - self.zone.limit)
        beyond = (mean - other) ** 2 / 2 if (mean - edge) * (edge - other) > 0 else 0.0
        samples = AHEAD_S * (len(self._times) - 1) / so_far_s
        lasting = float(self.zone.lasting_variance(edge))
        variance = self._normal.variances_ahead(ahead, samples) + lasting
        enough = max(between, beyond) / variance >= needed
        enough &= ahead >= self._gate_s
        return float(ahead[enough.argmax()] - self._times[-1]) if enough.any() else None

    def _decide(self, time_s: float) -> None:
        sound, leaking = evidence(self._normal.leaks(), self.zone)
        _, surely_leaking = evidence(self._wide.leaks(), self.zone)
        says = np.where(sound >= self.zone.enough, PASSED, NOTHING)
        says[np.minimum(leaking, surely_leaking) >= self.zone.enough_to_fail] = FAILED
        says[self.rises()] = NOTHING
        ready = np.flatnonzero((says != NOTHING) & (self.decided == NOTHING))
        if not ready.size:
            return
        self._scan(ready)
        ready = ready[self.bent[ready] < SUSPICIOUS]
        self.decided[ready] = says[ready]
        self.decided_at_s[ready] = time_s

    def _scan(self, trials: NDArray[np.int64]) -> None:
        times = np.array(self._times)
        residuals = (np.array(self._seen).T - self._normal.fitted())[trials]
        sensor = self._sensor
        self.bent[trials], self.bent_at_s[trials] = slope_step(times, residuals, sensor.noise, sensor.walk)
