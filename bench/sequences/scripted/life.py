"""Failure times: how many survive how long (Kaplan-Meier), and the Weibull distribution behind it. Pure.

What has not failed by the end is censored: it would have lived longer, and that counts. Both estimates are
scipy's (``scipy.stats.ecdf`` and ``weibull_min.fit`` on ``CensoredData``), the location held at zero. The
Weibull intervals are the usual ones from the curvature of the log-likelihood in log shape and log scale, which a few
failures stretch; with fewer than ``LEAST`` failures there is no fit.
"""

import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, log, sqrt

import numpy as np

LEAST = 3
COVERAGE = 0.95


@dataclass(frozen=True, slots=True)
class Interval:
    """A figure with its 95 % interval."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Weibull:
    """``R(t) = exp(-(t / scale) ** shape)``; shape below 1 fails early, above 1 wears out."""

    shape: Interval
    scale: Interval

    def life(self, failed_share: float) -> float:
        """By when this share has failed; 0.1 gives what is called B10."""
        return float(self.scale.value * (-log(1 - failed_share)) ** (1 / self.shape.value))


@dataclass(frozen=True, slots=True)
class Surviving:
    """After a failure: when, and the share that survives it, with its 95 % interval (log-log)."""

    time: float
    share: Interval


@dataclass(frozen=True, slots=True)
class Life:
    """What failure times say; ``weibull`` is None when they are too few."""

    failed: int
    alive: int
    surviving: tuple[Surviving, ...]
    weibull: Weibull | None


def life(failed_at: Sequence[float], alive_at: Sequence[float]) -> Life:
    """Failure-time statistics.

    Args:
        failed_at: when each that failed did so; above zero.
        alive_at: until when each of the others was watched and had not failed.
    """
    return Life(len(failed_at), len(alive_at), _survival(failed_at, alive_at), _weibull(failed_at, alive_at))


def _survival(failed_at: Sequence[float], alive_at: Sequence[float]) -> tuple[Surviving, ...]:
    if not failed_at:
        return ()
    from scipy.stats import CensoredData, ecdf  # type: ignore[import-untyped]

    survival = ecdf(CensoredData(uncensored=failed_at, right=alive_at)).sf
    with np.errstate(divide="ignore", invalid="ignore"), warnings.catch_warnings(action="ignore"):
        # Where all have failed there is no interval, which is said with a warning.
        bounds = survival.confidence_interval(COVERAGE, method="log-log")
    times = sorted(set(failed_at))
    shares, lows, highs = (
        np.nan_to_num(each.evaluate(np.asarray(times, dtype=float)), nan=0.0)
        for each in (survival, bounds.low, bounds.high)
    )
    rows = zip(times, shares.tolist(), lows.tolist(), highs.tolist(), strict=True)
    return tuple(Surviving(float(time), Interval(share, low, high)) for time, share, low, high in rows)


def _weibull(failed_at: Sequence[float], alive_at: Sequence[float]) -> Weibull | None:
    if len(set(failed_at)) < LEAST:
        return None
    from scipy.stats import CensoredData, norm, weibull_min

    shape, _, scale = weibull_min.fit(CensoredData(uncensored=failed_at, right=alive_at), floc=0)
    wide = float(norm.ppf((1 + COVERAGE) / 2))
    errors = _errors(float(shape), float(scale), np.asarray(failed_at, float), np.asarray(alive_at, float))
    about = [
        Interval(float(figure), float(figure) * exp(-wide * error), float(figure) * exp(wide * error))
        for figure, error in zip((shape, scale), errors, strict=True)
    ]
    return Weibull(*about)


def _errors(shape: float, scale: float, failed: np.ndarray, alive: np.ndarray) -> tuple[float, float]:
    """Standard errors of log shape and log scale, from the exact second derivatives of the log-likelihood.

    With u = shape (log t - log scale): l = sum over failures of (log shape - log t + u) - sum over all of exp(u).
    """
    u = shape * (np.log(np.concatenate([failed, alive])) - log(scale))
    grown, failures = np.exp(u), len(failed)
    shape_shape = -float(u[:failures].sum()) + float((grown * (u + u**2)).sum())
    shape_scale = shape * (failures - float((grown * (1 + u)).sum()))
    scale_scale = shape**2 * float(grown.sum())
    determinant = shape_shape * scale_scale - shape_scale**2
    return sqrt(scale_scale / determinant), sqrt(shape_shape / determinant)
