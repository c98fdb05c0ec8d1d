"""Quantiles against scipy, capability against a published worked example, changes against series that we made."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from bench.records.statistics import LEAST, capability, change, chi_square, indices, spread, student_t


@pytest.mark.parametrize("freedom", [4, 5, 8, 15, 40, 500])
@pytest.mark.parametrize("probability", [0.025, 0.9, 0.975, 0.999])
def test_quantiles_are_those_of_scipy(freedom: int, probability: float) -> None:
    assert student_t(probability, freedom) == pytest.approx(stats.t.ppf(probability, freedom), rel=0.01)
    within = 0.08 if freedom < 8 else 0.02
    assert chi_square(probability, freedom) == pytest.approx(stats.chi2.ppf(probability, freedom), rel=within)


def test_capability_of_the_handbooks_example() -> None:
    """NIST/SEMATECH e-Handbook of Statistical Methods, 6.1.6: limits 8 and 20, mean 16, deviation 2 (from memory).

    Its Cp is 1.0 and its Cpk 0.6667.
    """
    found = indices(count=50, mean=16.0, deviation=2.0, low=8.0, high=20.0)

    assert found.cp is not None
    assert found.cp.value == pytest.approx(1.0)
    assert found.cpk.value == pytest.approx(0.6667, abs=1e-4)


def test_intervals_are_those_of_the_exact_distributions() -> None:
    """The interval of Cp is that of a standard deviation (chi-square); the handbook's formula for Cpk, by hand."""
    found = indices(count=50, mean=16.0, deviation=2.0, low=8.0, high=20.0)
    low, high = (np.sqrt(stats.chi2.ppf(tail, 49) / 49) for tail in (0.025, 0.975))

    assert found.cp is not None
    assert (found.cp.low, found.cp.high) == pytest.approx((low, high), rel=2e-3)
    assert found.cpk.high - found.cpk.value == pytest.approx(1.959964 * np.sqrt(1 / 450 + 0.444444 / 98), rel=1e-4)


def test_the_interval_of_cpk_holds_the_truth_as_often_as_it_says() -> None:
    rng = np.random.default_rng(1)
    held = 0
    for _ in range(400):
        found = capability(rng.normal(16.0, 2.0, 40).tolist(), 8.0, 20.0)
        assert found is not None
        held += found.cpk.low <= 2 / 3 <= found.cpk.high

    assert 0.91 <= held / 400 <= 0.98


def test_one_limit_gives_cpk_alone_and_no_limit_nothing() -> None:
    values = [1.0, 1.1, 0.9, 1.0, 1.05, 0.95]
    found = capability(values, None, 1.5)

    assert found is not None
    assert found.cp is None
    assert capability(values, None, None) is None
    assert capability([1.0] * 10, 0.0, 2.0) is None
    assert capability(values[: LEAST - 1], 0.0, 2.0) is None


def test_a_step_is_found_where_it_is() -> None:
    found = change([2.79, 2.81, 2.80, 2.78, 2.80, 1.82, 1.83])

    assert found is not None
    assert (found.kind, found.at) == ("step", 5)
    assert (found.before, found.after) == pytest.approx((2.796, 1.825), abs=1e-3)


def test_a_single_last_value_that_differs_is_a_step() -> None:
    found = change([2.79, 2.81, 2.80, 2.78, 2.80, 2.79, 1.82])

    assert found is not None
    assert found.at == 6


def test_a_drift_is_told_from_a_step() -> None:
    rng = np.random.default_rng(2)
    found = change((0.1 + 0.02 * np.arange(12) + rng.normal(0, 0.004, 12)).tolist())

    assert found is not None
    assert found.kind == "drift"
    assert found.after - found.before == pytest.approx(0.22, abs=0.02)


def test_a_sound_series_seldom_raises_an_alarm() -> None:
    rng = np.random.default_rng(3)
    alarms = sum(change(rng.normal(5, 1, length).tolist()) is not None for length in [6, 8, 12, 30] for _ in range(250))

    assert alarms <= 20  # 10 expected


def test_a_change_below_the_resolution_is_not_believed() -> None:
    assert change([1.0, 1.0, 1.0, 1.001, 1.001, 1.001], resolution=0.01) is None


@given(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=30))
def test_any_series_is_described(values: list[float]) -> None:
    seen = spread(values)

    assert seen.least <= seen.median <= seen.most
    change(values)
    capability(values, -1.0, 1.0)


def test_values_that_differ_by_rounding_alone_have_no_index() -> None:
    assert capability([3.51, 3.51 + 4e-16, 3.51 - 4e-16] * 4, 3.0, 4.0) is None
