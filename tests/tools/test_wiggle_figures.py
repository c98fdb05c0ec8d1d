"""A small slice of what the tool measures at length."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.contract.table import ENERGY_LIMIT_A2S
from bench.profiles.model import Protection
from tools.wiggle_figures import heat_of, interval, watch_openings


@pytest.mark.parametrize("way", ["probed", "lit"])
@pytest.mark.parametrize("opening_s", [0.001, 0.003])
def test_openings_of_a_millisecond_and_more_are_seen_and_stamped_within_two(way: str, opening_s: float) -> None:
    found = watch_openings(way, opening_s, 60, seed=5)

    assert found.seen == found.openings
    assert found.largest_error_s <= 0.002


def test_half_a_millisecond_is_seen_about_half_the_time() -> None:
    found = watch_openings("probed", 0.0005, 100, seed=5)

    low, high = interval(found.seen, found.openings)
    assert low < 0.5 < high


def test_the_interval_of_all_seen_is_the_rule_of_clopper_and_pearson() -> None:
    assert interval(10, 10) == (pytest.approx(0.025 ** (1 / 10)), 1.0)
    assert interval(0, 10)[0] == 0.0


@settings(max_examples=6, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_no_fault_sequence_gets_more_than_a_try_and_a_minute_allow(seed: int) -> None:
    heat = heat_of(seed, seconds=1.2)

    assert heat.try_a2s <= ENERGY_LIMIT_A2S
    assert heat.rms_a <= Protection().rms_limit_a
