"""The sequential test: when the evidence is enough, and no sooner.

Wald's test of sound leaks, up to the lower edge of a zone about the limit, against leaking ones, from
its upper edge on (A. Wald, Sequential Analysis, 1947): stop when a likelihood ratio has become large
enough. Neither side is one leak, so each says what it claims as a mixture over a few leaks of its own,
half at its edge, and must beat the likeliest leak of the other side (Wald's weight functions). The ratio
to any one of those is a martingale, so the error is at most ``e`` whichever is true; and a leak far
beyond its edge speaks with all its distance from the other edge, not only with what lies between the
edges. With one leak a side it is the test of two simple hypotheses. Within the zone either answer is
acceptable, and it takes longest. The nuisance (thermal settling, sensor drift) is integrated out:
likelihoods are mixtures over the filter bank's members.

Two standard deviations are added that no length of watching removes: a slope of the tank's own
temperature, and how far the expanding air's cooling is known, which grows with the leak.
"""

import math
from dataclasses import dataclass

import numpy as np

from bench.air.settling import FloatArray, Leaks

ERROR = 0.005
FALSE_FAIL = 0.002  # asked of a FAIL: settling can only look like a leak, so errors of the model lie on this side
_COOLING_SHARE = 0.08
SOUND = ((0.75, 0.5), (0.5, 0.15), (0.25, 0.15), (0.0, 0.2))  # leaks as shares of the limit, and their weights
LEAKING = ((1.25, 0.5), (1.6, 0.15), (2.0, 0.15), (3.0, 0.1), (5.0, 0.1))
_TWO_SIDED_95 = 1.959964


@dataclass(frozen=True, slots=True)
class Zone:
    """A limit and the zone about it, as leaks in 1/s.

    Attributes:
        bias: standard deviation of a steady slope.
        sound, leaking: the mixtures that speak for a PASS and for a FAIL; the edges come first.
    """

    limit: float
    bias: float = 0.0
    sound: tuple[tuple[float, float], ...] = SOUND
    leaking: tuple[tuple[float, float], ...] = LEAKING
    error: float = ERROR
    false_fail: float = FALSE_FAIL
    cooling: float = _COOLING_SHARE

    @property
    def low(self) -> float:
        """Lower edge."""
        return self.limit * self.sound[0][0]

    @property
    def high(self) -> float:
        """Upper edge."""
        return self.limit * self.leaking[0][0]

    @property
    def enough(self) -> float:
        """Log likelihood ratio that decides."""
        return math.log((1 - self.error) / self.error)

    @property
    def enough_to_fail(self) -> float:
        """The same for a FAIL."""
        return math.log((1 - self.error) / self.false_fail)

    def lasting_variance(self, leak: float | FloatArray) -> float | FloatArray:
        """What no length of watching removes, for a leak of this size."""
        return self.bias**2 + (self.cooling * leak) ** 2


def evidence(leaks: Leaks, zone: Zone) -> tuple[FloatArray, FloatArray]:
    """Logs of the likelihood ratios for a sound line and for a leaking one, (trials,) each.

    Where each side is one leak, one is the other's negative.
    """
    sound, leaking = (
        np.array([_log_likelihood(leaks, zone, share * zone.limit) for share, _ in side])
        for side in (zone.sound, zone.leaking)
    )
    return (
        _mixed(sound, zone.sound) - leaking.max(axis=0),
        _mixed(leaking, zone.leaking) - sound.max(axis=0),
    )


def _mixed(logs: FloatArray, side: tuple[tuple[float, float], ...]) -> FloatArray:
    """Log of the weighted mean of likelihoods, over the first axis."""
    weights = np.array([weight for _, weight in side])[:, None]
    highest = logs.max(axis=0)
    return np.asarray(highest + np.log((weights * np.exp(logs - highest)).sum(axis=0)))


def _log_likelihood(leaks: Leaks, zone: Zone, leak: float) -> FloatArray:
    variance = leaks.variance + zone.lasting_variance(leak)
    each = leaks.log_weight - 0.5 * ((leak - leaks.mean) ** 2 / variance + np.log(variance))
    highest = each.max(axis=1)
    return np.asarray(highest + np.log(np.exp(each - highest[:, None]).sum(axis=1)))


def estimate(leaks: Leaks, zone: Zone) -> tuple[FloatArray, FloatArray]:
    """Mean and standard deviation of the mixture, (trials,) each, 1/s."""
    weight = np.exp(leaks.log_weight)
    mean = (weight * leaks.mean).sum(axis=1)
    within = leaks.variance + zone.lasting_variance(leaks.mean)
    return mean, np.sqrt((weight * (within + (leaks.mean - mean[:, None]) ** 2)).sum(axis=1))


def interval(mean: FloatArray, deviation: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Two-sided 95 % interval."""
    return mean - _TWO_SIDED_95 * deviation, mean + _TWO_SIDED_95 * deviation
