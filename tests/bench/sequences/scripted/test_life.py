"""Failure times beside worked examples of the NIST/SEMATECH e-Handbook of Statistical Methods."""

import numpy as np
import pytest
from scipy.stats import weibull_min

from bench.sequences.scripted.life import life

# 8.4.1.3 "Using the Weibull distribution" (www.itl.nist.gov/div898/handbook/apr/section4/apr413.htm, read): ten
# failures, ten units alive at 500 hours; characteristic life 606.5280, shape 1.7208.
FAILED_H = (54, 187, 216, 240, 244, 335, 361, 373, 375, 386)


def test_the_weibull_fit_is_the_handbooks() -> None:
    found = life(FAILED_H, [500] * 10).weibull

    assert found
    assert found.scale.value == pytest.approx(606.5280, abs=0.05)
    assert found.shape.value == pytest.approx(1.7208, abs=0.0005)


def test_the_surviving_shares_are_the_handbooks() -> None:
    """8.2.1.5 (from memory): twenty units, six failures, four taken out early, ten alive at 200 hours."""
    surviving = life([10, 32, 56, 98, 122, 181], [50, 100, 125, 150] + [200] * 10).surviving

    assert [(each.time, round(each.share.value, 4)) for each in surviving] == [
        (10, 0.95), (32, 0.90), (56, 0.8471), (98, 0.7941), (122, 0.7374), (181, 0.6704),
    ]  # fmt: skip
    assert all(each.share.low < each.share.value < each.share.high for each in surviving)


def test_the_interval_holds_the_true_shape_about_as_often_as_it_says() -> None:
    rng = np.random.default_rng(11)
    held = 0
    for _ in range(40):
        lives = weibull_min.rvs(2.0, scale=1000, size=30, random_state=rng)
        fit = life([t for t in lives if t < 1200], [1200.0] * sum(lives >= 1200)).weibull
        held += fit is not None and fit.shape.low < 2.0 < fit.shape.high

    assert held / 40 > 0.8


def test_a_tenth_has_failed_when_the_distribution_says_so() -> None:
    found = life(FAILED_H, [500] * 10).weibull

    assert found
    assert weibull_min.cdf(found.life(0.1), found.shape.value, scale=found.scale.value) == pytest.approx(0.1)


@pytest.mark.parametrize("failed", [[], [5], [5, 9], [7, 7, 7]])
def test_too_few_failures_give_no_fit(failed: list[int]) -> None:
    assert life(failed, [100] * 5).weibull is None


def test_all_may_fail() -> None:
    found = life([3, 5, 8], [])

    assert found.surviving[-1].share.value == 0
    assert found.alive == 0
