"""What a closed reservoir's pressure does besides leaking, and a filter that tells the two apart.

Theory. In ``y = ln p_abs`` a choked leak is a straight line: mass leaves in proportion to pressure
(ISO 6358), so ``dy/dt = -k`` whatever the pressure. Charged air is warm and gives its heat to the
wall by natural convection, whose film grows with a power of the difference, ``h ~ dT**n`` with n
from 1/4 to 1/3 (laminar to turbulent). Then ``dT/dt = -K dT**(1+n)``, which is solved by

    dT(t) = dT(0) (1 + c t)**(-1/n),   c = n K dT(0)**n

a sum of exponentials with Gamma-distributed rates: steep at first, with a long tail. A film that does
not depend on the difference (a fan, conduction) gives the exponential itself, the limit of large 1/n;
a few members stand for it. The family is closed under a shift of time, so it fits whether the watch
began when the valve closed or later. Around one ``c`` the curve is expanded to second order in
``ln c``, which covers neighbouring rates, other powers and mixtures; with ``c`` given all amplitudes
enter ``y`` linearly. So do two fast components for hoses and lines, and for spring cavities, which
have little air beside much wall.

A leak also cools the air that stays: it falls up to gamma times faster until the wall, through the
same film, has made up for the work of expansion. What remains is the sensor: white noise on a level
that walks at random.

``c`` is not known: it follows from the tank. A bank of Kalman filters runs over a row of ``c`` and
of amplitude scales. The evidence of each (its one-step predictions) weighs them, so a tank that
settles slowly is recognised by its data, and until it is, the mixture's spread keeps the decision
open. Covariances do not depend on the data: many trials on one time grid share them.

Units: s, 1/s, natural logarithm of pressure; kelvins over ``ROOM_K`` are such logarithms too.
"""

import math
from copy import copy
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

ROOM_K = 293.15
GAMMA = 1.4

_RATES: FloatArray = 0.0012 * 1.7 ** np.arange(
    8.0
)  # c, 1/s: from weakly convecting tanks long after to small ones at once
_POWER = 3.0  # 1/n of turbulent natural convection
_STEADY_POWER = 50.0  # of a film that does not depend on the difference: all but an exponential
_STEADY_RATES: FloatArray = 1 / np.array([13.0, 22.0, 38.0, 65.0, 110.0, 190.0])
_FAST_RATE = 0.15
_FAST_SCALE_K = 10.0
_CAVITIES_S = 10.0
_WIDEST_LEAK = 0.0145  # 1/s: 100 psi/min
_TYPICAL_LEAK = 3e-4  # 1/s: 2 psi/min, at which the film's pull on leaking air is taken
_LEVEL, _LEAK, _SETTLING, _FIRST, _SECOND, _FAST, _CAVITIES = range(7)
_STATES = 7


@dataclass(frozen=True, slots=True)
class ThermalModel:
    """How much a tank may settle, as one standard deviation each.

    Attributes:
        scales_k: warmth of the air when the watch begins: nothing to settle, a slow fill, a fast one.
        first, second: of the expansion in ``ln c``, relative to the warmth.
    """

    scales_k: tuple[float, ...]
    first: float
    second: float


NORMAL = ThermalModel(scales_k=(1.0, 5.0, 30.0), first=0.15, second=0.04)
WIDE = ThermalModel(scales_k=(1.0, 5.5, 33.0), first=0.165, second=0.045)
STILL = ThermalModel(scales_k=(), first=0.0, second=0.0)
"""No settling at all: white noise on a straight line, where the theory of sequential tests can be checked."""


@dataclass(frozen=True, slots=True)
class Leaks:
    """What the bank believes of the leak.

    Attributes:
        mean: (trials, members), 1/s.
        variance: (members,), 1/s2.
        log_weight: (trials, members), normalised.
    """

    mean: FloatArray
    variance: FloatArray
    log_weight: FloatArray


class SettlingFilter:
    """The bank of Kalman filters over one or many trials on a common time grid."""

    def __init__(self, model: ThermalModel, trials: int, noise: float, walk: float) -> None:
        """Begin before the first sample.

        Args:
            model: how much the tank may settle.
            trials: number of traces that are watched at once.
            noise: standard deviation of a sample, in ln p.
            walk: standard deviation of the level's walk over one second, in ln p.
        """
        self._rates, self._scales, self._power = _members(model)
        self._film = _film_at_a_leak(self._rates, self._scales, self._power)
        members = self._rates.size
        self._noise, self._walk = noise**2, walk**2
        self._time_s: float | None = None
        self._seen: list[FloatArray] = []
        self._mean = np.zeros((trials, members, _STATES))
        self._covariance = np.zeros((members, _STATES, _STATES))
        spreads: dict[int, float | FloatArray] = {
            _LEVEL: 1.0,
            _LEAK: _WIDEST_LEAK,
            _SETTLING: self._scales,
            _FIRST: model.first * self._scales,
            _SECOND: model.second * self._scales,
            _FAST: _FAST_SCALE_K / ROOM_K if model.scales_k else 0.0,
            _CAVITIES: _FAST_SCALE_K / ROOM_K if model.scales_k else 0.0,
        }
        for state, spread in spreads.items():
            self._covariance[:, state, state] = np.square(spread)
        self._log_evidence = np.zeros((trials, members))

    def add(self, time_s: float, y: FloatArray) -> None:
        """Take one sample of every trial.

        Args:
            time_s: since the valve closed; rises from call to call.
            y: (trials,) ln of absolute pressure, less a constant that keeps it small.
        """
        seen, project, spread = self._predict(time_s)
        self._seen.append(seen)
        surprise = y[:, None] - np.einsum("tmi,mi->tm", self._mean, seen)
        self._mean += surprise[:, :, None] * (project / spread[:, None])
        self._log_evidence -= 0.5 * (surprise**2 / spread + np.log(spread))
        self._log_evidence -= self._log_evidence.max(axis=1, keepdims=True)

    def leaks(self) -> Leaks:
        """What is believed of the leak now."""
        total = np.log(np.exp(self._log_evidence).sum(axis=1, keepdims=True))
        variance = self._covariance[:, _LEAK, _LEAK].copy()
        return Leaks(self._mean[:, :, _LEAK].copy(), variance, self._log_evidence - total)

    def fitted(self) -> FloatArray:
        """(trials, samples) ``y`` by each trial's likeliest member, without the level's walk, at every sample taken."""
        likeliest, mean = self._likeliest()
        shapes = np.array(self._seen)
        fitted = np.empty((likeliest.size, len(shapes)))
        for member in np.unique(likeliest):
            mine = likeliest == member
            fitted[mine] = mean[mine] @ shapes[:, member].T
        return fitted

    def settling(self, time_s: float) -> FloatArray:
        """(trials,) by how much settling lowers ``y`` per second now, by each trial's likeliest member."""
        likeliest, mean = self._likeliest()
        falls = (self._shapes(time_s - 0.5) - self._shapes(time_s + 0.5))[likeliest]
        thermal = [_SETTLING, _FIRST, _SECOND, _FAST, _CAVITIES]
        return np.asarray((mean[:, thermal] * falls[:, thermal]).sum(axis=1))

    def _likeliest(self) -> tuple[NDArray[np.int64], FloatArray]:
        """Each trial's likeliest member, and its state."""
        likeliest = np.asarray(self._log_evidence.argmax(axis=1), dtype=np.int64)
        return likeliest, self._mean[np.arange(likeliest.size), likeliest]

    def variances_ahead(self, times_s: FloatArray, samples: float = 1.0) -> FloatArray:
        """(times,) the leak's variance of the first trial's likeliest member at times still to come, 1/s2.

        Args:
            times_s: rising.
            samples: how many samples come from one of these times to the next; their mean stands for them.
        """
        ahead, member = copy(self), int(self._log_evidence[0].argmax())
        ahead._noise = self._noise / samples
        ahead._covariance = self._covariance.copy()
        variances = []
        for time_s in times_s:
            ahead._predict(float(time_s))
            variances.append(ahead._covariance[member, _LEAK, _LEAK])
        return np.array(variances)

    def _predict(self, time_s: float) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Move covariances over a sample at ``time_s``; its shapes, projections and predicted variances."""
        if self._time_s is not None:
            self._covariance[:, _LEVEL, _LEVEL] += self._walk * (time_s - self._time_s)
        self._time_s = time_s
        seen = self._shapes(time_s)
        project: FloatArray = np.einsum("mij,mj->mi", self._covariance, seen)
        spread: FloatArray = np.einsum("mi,mi->m", project, seen) + self._noise
        self._covariance -= np.einsum("mi,mj->mij", project, project) / spread[:, None, None]
        return seen, project, spread

    def _shapes(self, time_s: float) -> FloatArray:
        """(members, states) how each state shows in ``y`` at ``time_s``."""
        u, power = self._rates * time_s, self._power
        seen = np.empty((u.size, _STATES))
        seen[:, _LEVEL] = 1.0
        seen[:, _LEAK] = -(time_s + self._cooling(time_s))
        seen[:, _SETTLING] = (1 + u) ** -power
        seen[:, _FIRST] = -power * u * (1 + u) ** (-power - 1)
        seen[:, _SECOND] = seen[:, _FIRST] + power * (power + 1) * u**2 * (1 + u) ** (-power - 2)
        seen[:, _FAST] = (1 + _FAST_RATE * time_s) ** -_POWER
        seen[:, _CAVITIES] = math.exp(-time_s / _CAVITIES_S)
        return seen

    def _cooling(self, time_s: float) -> FloatArray:
        """(members,) extra fall by expansion, as time: as if adiabatic at first, held by the film in the end."""
        if not self._film.any():
            return np.zeros_like(self._rates)
        u = 1 + self._rates * time_s
        by_settling_film = (u**4 - 1) / (4 * self._rates * u**3)
        return np.asarray((GAMMA - 1) * (1 - np.exp(-self._film * by_settling_film)) / self._film)


def _members(model: ThermalModel) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Rate ``c``, warmth and power of every member."""
    if not model.scales_k:
        return _RATES[:1], np.zeros(1), np.full(1, _POWER)
    scales: FloatArray = np.array(model.scales_k) / ROOM_K
    warm = scales[1:]  # what hardly settles has no shape to tell
    rates = np.concatenate((np.repeat(_RATES, scales.size), np.repeat(_STEADY_RATES / _STEADY_POWER, warm.size)))
    powers = np.repeat((_POWER, _STEADY_POWER), (_RATES.size * scales.size, _STEADY_RATES.size * warm.size))
    return rates, np.concatenate((np.tile(scales, _RATES.size), np.tile(warm, _STEADY_RATES.size))), powers


def _film_at_a_leak(rates: FloatArray, scales: FloatArray, power: FloatArray) -> FloatArray:
    """Film in 1/s that a typical leak ends up with: where ``K dT**n dT`` makes up for ``(gamma - 1) k``.

    ``K`` follows from ``c`` and the warmth; the film is then ``K**(3/4) ((gamma - 1) k)**(1/4)``. A steady film is
    what it is from the start.
    """
    if not scales.any():
        return np.zeros_like(rates)
    strength = _POWER * rates / scales ** (1 / _POWER)
    by_convection = strength**0.75 * ((GAMMA - 1) * _TYPICAL_LEAK) ** 0.25
    return np.asarray(np.where(power == _POWER, by_convection, power * rates))
