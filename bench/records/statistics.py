"""What a series of measured values says: spread, drift, a step, and how it stands within its limits. Pure.

Theory. A step is looked for at every place of the series: two means, one spread within the parts, and the
t of their difference, against a quantile for as many looks as were taken (Bonferroni). A drift is the slope
of least squares against its own error. Capability indices are those of the NIST/SEMATECH e-Handbook of
Statistical Methods, 6.1.6 (from memory): Cp with the chi-square interval of the standard deviation, Cpk with
the normal approximation given there. Both take values for independent and roughly normal.

Quantiles come from the usual expansions (Abramowitz and Stegun 26.7.5 for Student's t, Wilson and Hilferty
for chi-square; from memory, checked against scipy): t to a percent from four degrees of freedom on, chi-square to
8 % there and to 2 % from eight on.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np

LEAST = 6  # values, before a change or a capability is spoken of
FALSE_ALARM = 0.01  # of one sound series
COVERAGE = 0.95
ROUNDING = 1e-9  # of the mean: equal values differ by so much, which is no spread


@dataclass(frozen=True, slots=True)
class Change:
    """How a series moved.

    Attributes:
        kind: ``step`` or ``drift``.
        at: index of the first value after a step; 0 for a drift.
        before: mean before the step, or the fitted first value.
        after: mean since the step, or the fitted last value.
    """

    kind: str
    at: int
    before: float
    after: float


@dataclass(frozen=True, slots=True)
class Spread:
    """The distribution of ``count`` values; quartiles by linear interpolation, deviation with n - 1."""

    count: int
    mean: float
    deviation: float
    least: float
    lower_quartile: float
    median: float
    upper_quartile: float
    most: float


@dataclass(frozen=True, slots=True)
class Index:
    """A capability index with its 95 % confidence interval."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Capability:
    """How values stand within their limits; ``cp`` needs both limits, ``cpk`` one."""

    cp: Index | None
    cpk: Index


def student_t(probability: float, freedom: int) -> float:
    """Quantile of Student's t, ``freedom`` >= 4."""
    z = NormalDist().inv_cdf(probability)
    terms = (
        (z**3 + z) / 4,
        (5 * z**5 + 16 * z**3 + 3 * z) / 96,
        (3 * z**7 + 19 * z**5 + 17 * z**3 - 15 * z) / 384,
        (79 * z**9 + 776 * z**7 + 1482 * z**5 - 1920 * z**3 - 945 * z) / 92160,
    )
    return z + sum((term / float(freedom) ** power for power, term in enumerate(terms, 1)), 0.0)


def chi_square(probability: float, freedom: int) -> float:
    """Quantile of chi-square, ``freedom`` >= 4."""
    part = 2 / (9 * freedom)
    return float(freedom * (1 - part + NormalDist().inv_cdf(probability) * math.sqrt(part)) ** 3)


def spread(values: Sequence[float]) -> Spread:
    """The distribution of at least one value."""
    array = np.asarray(values, dtype=float)
    deviation = float(array.std(ddof=1)) if len(array) > 1 else 0.0
    least, lower, median, upper, most = np.quantile(array, [0, 0.25, 0.5, 0.75, 1]).tolist()
    return Spread(len(array), float(array.mean()), deviation, least, lower, median, upper, most)


def change(values: Sequence[float], resolution: float = 0.0) -> Change | None:
    """The clearest step or drift of a series in order of time; None when there is none, or too little to tell.

    Args:
        values: in order of time.
        resolution: what the values can't be told apart by; a smaller spread is not believed.
    """
    array = np.asarray(values, dtype=float)
    if len(array) < LEAST:
        return None
    step, step_t, left = _best_step(array, resolution)
    looks = len(array) - 1
    found = step if step_t > student_t(1 - FALSE_ALARM / 4 / looks, len(array) - 2) else None
    drift, drift_t, drift_left = _drift(array, resolution)
    if drift_t > student_t(1 - FALSE_ALARM / 4, len(array) - 2) and (found is None or drift_left < left):
        return drift
    return found


def _best_step(array: np.ndarray, resolution: float) -> tuple[Change, float, float]:
    """The step that leaves least unexplained: it, its t, and the sum of squares that is left."""
    found = [_step(array, at, resolution) for at in range(1, len(array))]
    return max(found, key=lambda each: each[1])


def _step(array: np.ndarray, at: int, resolution: float) -> tuple[Change, float, float]:
    before, after = array[:at], array[at:]
    left = float(((before - before.mean()) ** 2).sum() + ((after - after.mean()) ** 2).sum())
    deviation = max(math.sqrt(left / (len(array) - 2)), resolution, 1e-12)
    t = abs(after.mean() - before.mean()) / (deviation * math.sqrt(1 / len(before) + 1 / len(after)))
    return Change("step", at, float(before.mean()), float(after.mean())), float(t), left


def _drift(array: np.ndarray, resolution: float) -> tuple[Change, float, float]:
    places = np.arange(len(array), dtype=float) - (len(array) - 1) / 2
    slope = float(places @ array / (places @ places))
    fitted = array.mean() + slope * places
    left = float(((array - fitted) ** 2).sum())
    deviation = max(math.sqrt(left / (len(array) - 2)), resolution, 1e-12)
    t = abs(slope) * math.sqrt(float(places @ places)) / deviation
    return Change("drift", 0, float(fitted[0]), float(fitted[-1])), t, left


def capability(values: Sequence[float], low: float | None, high: float | None) -> Capability | None:
    """Cp and Cpk of values within ``low`` and ``high``; None when there are too few, no spread or no limit."""
    seen = spread(values) if len(values) >= LEAST else None
    if seen is None or (low is None and high is None) or seen.deviation <= ROUNDING * abs(seen.mean):
        return None
    return indices(seen.count, seen.mean, seen.deviation, low, high)


def indices(count: int, mean: float, deviation: float, low: float | None, high: float | None) -> Capability:
    """Cp and Cpk from the figures of a sample; at least one limit."""
    z = NormalDist().inv_cdf((1 + COVERAGE) / 2)
    sides = [(high - mean) / (3 * deviation)] if high is not None else []
    sides += [(mean - low) / (3 * deviation)] if low is not None else []
    cpk = min(sides)
    doubt = z * math.sqrt(1 / (9 * count) + cpk**2 / (2 * (count - 1)))
    cp = (high - low) / (6 * deviation) if low is not None and high is not None else None
    return Capability(None if cp is None else _cp(cp, count), Index(cpk, cpk - doubt, cpk + doubt))


def _cp(cp: float, count: int) -> Index:
    freedom = count - 1
    low, high = (math.sqrt(chi_square(each, freedom) / freedom) for each in ((1 - COVERAGE) / 2, (1 + COVERAGE) / 2))
    return Index(cp, cp * low, cp * high)
