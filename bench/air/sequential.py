"""The sequential test: when the evidence is enough, and no sooner.

Wald's test of a leak at the lower edge of a zone about the limit against one at its upper edge
(A. Wald, Sequential Analysis, 1947): stop when the log likelihood ratio leaves the band
``± ln((1 - e) / e)``. Beyond the zone either error is then at most ``e`` or so; within it either
answer is acceptable, and it takes longest. The nuisance (thermal settling, sensor drift) is
integrated out: likelihoods are mixtures over the filter bank's members.

Two standard deviations are added that no length of watching removes: a slope of the tank's own
temperature, and how far the expanding air's cooling is known, which grows with the leak.
"""

import math
from dataclasses import dataclass

import numpy as np

from bench.air.settling import FloatArray, Leaks

ZONE = 0.25
ERROR = 0.005
FALSE_FAIL = 0.002  # asked of a FAIL: settling can only look like a leak, so errors of the model lie on this side
_COOLING_SHARE = 0.08
_TWO_SIDED_95 = 1.959964


@dataclass(frozen=True, slots=True)
class Zone:
    """A limit and the zone about it, as leaks in 1/s; ``bias`` is the standard deviation of a steady slope."""

    limit: float
    bias: float = 0.0
    share: float = ZONE
    error: float = ERROR
    false_fail: float = FALSE_FAIL
    cooling: float = _COOLING_SHARE

    @property
    def low(self) -> float:
        """Lower edge."""
        return self.limit * (1 - self.share)

    @property
    def high(self) -> float:
        """Upper edge."""
        return self.limit * (1 + self.share)

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


def log_ratio(leaks: Leaks, zone: Zone) -> FloatArray:
    """(trials,) ln of the likelihood of the zone's upper edge over that of its lower edge."""
    return _log_likelihood(leaks, zone, zone.high) - _log_likelihood(leaks, zone, zone.low)


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
