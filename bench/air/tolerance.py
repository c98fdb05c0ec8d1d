"""One-sided tolerance factors: mean + K s covers a share of all, with a confidence, from k repeats.

Theory. ``K = t'(confidence; n - 1, z sqrt(n)) / sqrt(n)``, the quantile of the noncentral t
distribution, ``z`` the normal quantile of the share (standard texts on statistical tolerance
intervals; ISO 16269-6). With ``s`` distributed as ``sigma chi / sqrt(n-1)``,

    P(mean + K s >= mu + z sigma) = E[ Phi(sqrt(n) (K chi / sqrt(n-1) - z)) ]

which is integrated over chi's density and solved for K by bisection.
"""

import math
from functools import lru_cache
from statistics import NormalDist

import numpy as np

_NORMAL = NormalDist()
_GRID = 601


@lru_cache(maxsize=256)
def tolerance_factor(repeats: int, share: float = 0.95, confidence: float = 0.95) -> float:
    """The factor K for ``repeats`` normal values.

    Raises:
        ValueError: fewer than two repeats, or a share or confidence outside 0..1.
    """
    if repeats < 2 or not 0 < share < 1 or not 0 < confidence < 1:
        raise ValueError("a tolerance factor needs two repeats or more, and shares between 0 and 1")
    low, high = 0.0, 1e4
    for _ in range(48):
        middle = (low + high) / 2
        low, high = (middle, high) if _covered(middle, repeats, share) < confidence else (low, middle)
    return (low + high) / 2


def _covered(factor: float, repeats: int, share: float) -> float:
    """Probability that mean + factor s lies above the share's quantile."""
    freedom = repeats - 1
    chi = (math.sqrt(freedom) + 12) * np.linspace(1e-6, 1, _GRID) ** 2  # dense where few degrees of freedom need it
    log_density = (1 - freedom / 2) * math.log(2) - math.lgamma(freedom / 2) + (freedom - 1) * np.log(chi) - chi**2 / 2
    margin = math.sqrt(repeats) * (factor * chi / math.sqrt(freedom) - _NORMAL.inv_cdf(share))
    covered = np.array([_NORMAL.cdf(each) for each in margin])
    return float(np.trapezoid(np.exp(log_density) * covered, chi))
