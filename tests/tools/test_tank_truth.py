"""The truth of the leak figures, in the cases that have a closed form."""

from dataclasses import replace

import numpy as np
import pytest

from tools.leak_figures import wilson
from tools.tank_truth import GAMMA, random_trailers, watch

LEAK = 3e-4


def test_without_heat_from_the_wall_the_fall_is_adiabatic() -> None:
    """``m' = -k m`` and ``p ~ m**gamma``."""
    trailers = random_trailers(5, False, np.random.default_rng(1))
    insulated = replace(trailers, film=0 * trailers.film)
    pressure, _ = watch(insulated, 25.0, np.full(5, LEAK), 0.0, 120.0, 10.0)

    assert pressure[:, -1] / pressure[:, 0] == pytest.approx(np.exp(-GAMMA * LEAK * 120), rel=1e-4)


def test_in_the_end_a_leak_falls_at_its_isothermal_rate() -> None:
    trailers = random_trailers(5, False, np.random.default_rng(1))
    pressure, _ = watch(trailers, 25.0, np.full(5, LEAK), 0.0, 900.0, 100.0)
    rates = -np.diff(np.log(pressure), axis=1) / 100

    assert rates[:, -1] == pytest.approx(LEAK, rel=0.06)
    assert np.all(rates[:, 0] > 1.5 * LEAK)


def test_a_closed_tank_comes_to_rest_at_room_temperature() -> None:
    trailers = random_trailers(5, True, np.random.default_rng(2))
    pressure, skin = watch(trailers, 25.0, np.zeros(5), 0.0, 3600.0, 600.0)

    assert np.all(np.abs(np.diff(pressure, axis=1)[:, -1]) < 1e-3 * pressure[:, -1])
    assert skin[:, -1] == pytest.approx(trailers.room_k, abs=1.5)


def test_intervals_of_shares_are_wilsons() -> None:
    """Worked example of the score interval: 0 of 10 gives 0 to 27.8 % (E. B. Wilson, 1927; tables)."""
    assert wilson(0, 10) == (pytest.approx(0, abs=1e-9), pytest.approx(0.2775, abs=5e-4))
    assert wilson(5, 10) == (pytest.approx(0.2366, abs=5e-4), pytest.approx(0.7634, abs=5e-4))
