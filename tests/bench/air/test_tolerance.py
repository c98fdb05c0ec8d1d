"""Tolerance factors against scipy's noncentral t and against printed ones."""

import math

import pytest
from scipy.stats import nct, norm

from bench.air.tolerance import tolerance_factor


@pytest.mark.parametrize(("repeats", "printed"), [(5, 4.20), (10, 2.91)])
def test_factors_are_the_printed_ones(repeats: int, printed: float) -> None:
    """One-sided 95 % / 95 % normal tolerance factors, as handbooks of statistics tabulate them."""
    assert tolerance_factor(repeats) == pytest.approx(printed, abs=0.005)


@pytest.mark.parametrize("repeats", [2, 3, 7, 30])
@pytest.mark.parametrize(("share", "confidence"), [(0.95, 0.95), (0.9, 0.99)])
def test_factors_are_quantiles_of_the_noncentral_t(repeats: int, share: float, confidence: float) -> None:
    expected = nct.ppf(confidence, repeats - 1, norm.ppf(share) * math.sqrt(repeats)) / math.sqrt(repeats)

    assert tolerance_factor(repeats, share, confidence) == pytest.approx(expected, rel=2e-4)


@pytest.mark.parametrize(("repeats", "share"), [(1, 0.95), (5, 1.0)])
def test_what_has_no_factor_is_refused(repeats: int, share: float) -> None:
    with pytest.raises(ValueError, match="two repeats"):
        tolerance_factor(repeats, share)
