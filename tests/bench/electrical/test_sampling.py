"""Probabilities against scipy's Poisson law, a simulated sampler, and the rule of three."""

import numpy as np
import pytest
from scipy.stats import poisson

from bench.electrical.sampling import missed_probability, rarest_every_s, seen_probability


@pytest.mark.parametrize(
    ("opening_s", "seen"), [(0.0, 0.0), (0.00025, 0.25), (0.0005, 0.5), (0.001, 1.0), (0.003, 1.0)]
)
def test_an_opening_is_seen_in_the_share_of_a_sample_that_it_lasts(opening_s: float, seen: float) -> None:
    assert seen_probability(opening_s) == pytest.approx(seen)


@pytest.mark.parametrize("opening_s", [0.0004, 0.001, 0.003, 0.0055, 0.02])
def test_a_blind_time_hides_what_falls_into_it_as_thrown_openings_show(opening_s: float) -> None:
    looks_s = np.arange(5, 100) * 1e-3  # one look a millisecond, none for the first five of each 100 ms
    looks_s = np.concatenate([looks_s, looks_s + 0.1])
    began_s = np.random.default_rng(4).uniform(0, 0.1, 200_000)
    following_s = looks_s[np.searchsorted(looks_s, began_s)]
    thrown = float(np.mean(following_s <= began_s + opening_s))

    assert seen_probability(opening_s, 0.001, 0.005, 0.1) == pytest.approx(thrown, abs=0.004)


def test_missing_them_all_is_the_zero_of_a_thinned_poisson_law() -> None:
    assert missed_probability(0.5, every_s=10.0, run_s=60.0) == pytest.approx(float(poisson.pmf(0, 0.5 * 60 / 10)))


def test_the_rarest_that_a_clean_run_rules_out_is_the_rule_of_three() -> None:
    every_s = rarest_every_s(1.0, 60.0)

    assert every_s == pytest.approx(60 / 3, rel=0.01)
    assert missed_probability(1.0, every_s, 60.0) == pytest.approx(0.05)
