"""The sequential test against Wald's theory, with the thermal states off."""

import math

import numpy as np
import pytest

from bench.air.sequential import Zone, estimate, evidence, interval
from bench.air.settling import STILL, FloatArray, SettlingFilter

LIMIT, NOISE = 3e-4, 8e-3
ERROR = 0.05
TRIALS = 1500


SIMPLE = Zone(LIMIT, sound=((0.75, 1.0),), leaking=((1.25, 1.0),), error=ERROR, false_fail=ERROR, cooling=0.0)
MIXED = Zone(LIMIT, error=ERROR, false_fail=ERROR, cooling=0.0)


def stopped(leak: float, seed: int, zone: Zone = SIMPLE) -> tuple[FloatArray, FloatArray]:
    """Which way each trial went (+1 fails), and the information about the leak when it did."""
    rng = np.random.default_rng(seed)
    watched = SettlingFilter(STILL, TRIALS, NOISE, 0.0)
    went, information = np.zeros(TRIALS), np.full(TRIALS, np.nan)
    for time_s in np.arange(0.0, 150.0, 0.5):
        watched.add(time_s, -leak * time_s + NOISE * rng.standard_normal(TRIALS))
        leaks = watched.leaks()
        sound, leaking = evidence(leaks, zone)
        now = (went == 0) & (np.maximum(sound, leaking) >= zone.enough)
        went[now], information[now] = np.where(leaking > sound, 1.0, -1.0)[now], 1 / leaks.variance[0]
    return went, information


@pytest.mark.parametrize(("edge", "right"), [(0.75, -1.0), (1.25, 1.0)])
def test_errors_and_expected_length_are_walds(edge: float, right: float) -> None:
    """A. Wald, Sequential Analysis (1947), for equal errors e at either edge.

    The ratio is a Brownian motion in information; its mean when it leaves the band is (1 - 2 e) ln((1 - e) / e), its
    drift half the squared distance of the edges. Discrete steps overshoot: a little longer, a little fewer errors.
    """
    went, information = stopped(edge * LIMIT, seed=11)
    distance = 0.5 * LIMIT
    expected = 2 * (1 - 2 * ERROR) * math.log((1 - ERROR) / ERROR) / distance**2

    assert np.all(went != 0)
    assert np.mean(went != right) <= ERROR + 3 * math.sqrt(ERROR * (1 - ERROR) / TRIALS)
    assert 1.0 <= float(information.mean()) / expected < 1.25


def test_nothing_is_quicker_decided_than_no_leak_and_nothing_slower_than_the_limit() -> None:
    """Wald's expected length has its maximum between the hypotheses."""
    lengths = [float(np.nanmean(stopped(share * LIMIT, seed=5)[1])) for share in (0.0, 0.75, 1.0)]

    assert lengths == sorted(lengths)


@pytest.mark.parametrize(
    ("share", "right"), [(0.0, -1.0), (0.5, -1.0), (0.75, -1.0), (1.25, 1.0), (1.4, 1.0), (2.0, 1.0)]
)
def test_mixtures_keep_the_error_whatever_the_leak_is_and_are_quicker_far_from_the_limit(
    share: float, right: float
) -> None:
    """The likelihood ratio of a mixture to any one other leak is a martingale (Ville's inequality): error at most e."""
    went, information = stopped(share * LIMIT, seed=21, zone=MIXED)
    _, simply = stopped(share * LIMIT, seed=21)

    assert np.mean(went == -right) <= ERROR + 3 * math.sqrt(ERROR * (1 - ERROR) / TRIALS)
    if share in (0.0, 2.0):
        assert float(np.nanmean(information)) < 0.95 * float(np.nanmean(simply))


def test_the_interval_covers_what_it_says() -> None:
    rng = np.random.default_rng(3)
    watched = SettlingFilter(STILL, TRIALS, NOISE, 0.0)
    for time_s in range(60):
        watched.add(float(time_s), -LIMIT * time_s + NOISE * rng.standard_normal(TRIALS))
    low, high = interval(*estimate(watched.leaks(), Zone(LIMIT, cooling=0.0)))

    assert float(np.mean((low <= LIMIT) & (high >= LIMIT))) == pytest.approx(0.95, abs=0.02)


def test_the_filter_is_least_squares_when_nothing_settles() -> None:
    """The outside reference for a straight line in white noise is numpy's polyfit."""
    rng = np.random.default_rng(4)
    times = np.cumsum(rng.uniform(0.2, 3.0, 40))
    y = 0.01 - 2e-4 * times + NOISE * rng.standard_normal(40)
    watched = SettlingFilter(STILL, 1, NOISE, 0.0)
    for time_s, each in zip(times, y, strict=True):
        watched.add(float(time_s), np.array([each]))

    assert watched.leaks().mean[0, 0] == pytest.approx(-np.polyfit(times, y, 1)[0], rel=1e-3)
