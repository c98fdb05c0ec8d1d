"""Whether a watched pressure kept to one slope: a valve that reseats or a leak that begins bends it.

What the filter could not explain is scanned: at each instant the straight lines through the stretch
before and the stretch after are compared, in standard deviations of white noise and walking level.
"""

import numpy as np

from bench.air.settling import FloatArray

STRETCHES_S = ((20.0, 20.0), (20.0, 10.0))  # before and after; the short one sees what has just begun
SUSPICIOUS = 5.0
_EVERY_S = 2.0
_LEAST_SAMPLES = 5


def slope_step(times_s: FloatArray, residuals: FloatArray, noise: float, walk: float) -> tuple[FloatArray, FloatArray]:
    """Find the sharpest change of slope.

    Args:
        times_s: (n,), rising.
        residuals: (trials, n) of ``y``.
        noise: standard deviation of a sample.
        walk: of the level over one second.

    Returns:
        (trials,) its size in standard deviations, and when it was; zeros where there is too little.
    """
    contrasts, when = _contrasts(times_s)
    if not when.size:
        return np.zeros(len(residuals)), np.zeros(len(residuals))
    steps = np.diff(times_s, prepend=times_s[0])
    ahead = np.cumsum(contrasts[:, ::-1], axis=1)[:, ::-1]
    deviation = np.sqrt(noise**2 * (contrasts**2).sum(axis=1) + walk**2 * (ahead**2 * steps).sum(axis=1))
    sizes = np.abs(residuals @ contrasts.T) / deviation
    sharpest = sizes.argmax(axis=1)
    return sizes[np.arange(len(sizes)), sharpest], when[sharpest]


def _contrasts(times_s: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Rows that give slope after minus slope before, and the instants they belong to."""
    rows, when = [], []
    for before_s, after_s in STRETCHES_S:
        for instant in np.arange(times_s[0] + before_s, times_s[-1] - after_s + 1e-9, _EVERY_S):
            before = (times_s >= instant - before_s) & (times_s < instant)
            after = (times_s >= instant) & (times_s <= instant + after_s)
            if min(before.sum(), after.sum()) >= _LEAST_SAMPLES:
                rows.append(_slope_weights(times_s, after) - _slope_weights(times_s, before))
                when.append(instant)
    return np.array(rows), np.array(when)


def _slope_weights(times_s: FloatArray, chosen: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> FloatArray:
    """Weights of ordinary least squares for the slope of the chosen samples."""
    centred = np.where(chosen, times_s - times_s[chosen].mean(), 0.0)
    return np.asarray(centred / (centred**2).sum())
