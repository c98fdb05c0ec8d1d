"""Four-wire resistance beside a simulation of what its theory supposes, and nets beside a drawing."""

import numpy as np
import pytest

from bench.electrical.four_wire import NOISE_V, Pair, four_wire
from bench.electrical.nets import nets
from bench.profiles import load_profile

ERRORS = {"voltage_gain_error": 0.003, "current_gain_error": 0.02, "current_offset_a": 0.01}


def drawn(rng: np.random.Generator, ohm: float, current_a: float, n: int = 16) -> tuple[list[Pair], list[Pair]]:
    """Readings of one board: one gain for both voltages, an offset for each, noise for every reading."""
    gain, gain_a = 1 + rng.normal(0, 0.003), 1 + rng.normal(0, 0.02)
    near, far, amps = rng.normal(0, 0.003), rng.normal(0, 0.003), rng.normal(0, 0.01)

    def read(volts: float, through_a: float) -> Pair:
        noise = rng.normal(0, NOISE_V, 2)
        behind = volts - through_a * ohm
        return Pair(gain * volts + near + noise[0], gain * behind + far + noise[1], gain_a * through_a + amps)

    return [read(12.5, current_a) for _ in range(n)], [read(0.0, 0.0) for _ in range(n)]


@pytest.mark.parametrize(("ohm", "current_a"), [(0.002, 5.0), (0.02, 3.0), (0.5, 1.0)])
def test_the_true_resistance_is_within_the_uncertainty_about_as_often_as_it_says(ohm: float, current_a: float) -> None:
    rng = np.random.default_rng(7)
    held = 0
    for _ in range(400):
        found = four_wire(*drawn(rng, ohm, current_a), **ERRORS)
        assert found
        held += abs(found.ohm - ohm) < found.plus_minus

    assert 0.92 < held / 400 < 0.985


def test_without_a_current_there_is_no_resistance() -> None:
    flowing, at_rest = drawn(np.random.default_rng(1), 0.01, 0.02)

    assert four_wire(flowing, at_rest, **ERRORS) is None


def test_pins_hang_together_through_wire_joints_and_loads_and_a_spare_pin_stands_alone() -> None:
    assert nets(load_profile("machine-door")) == [frozenset(range(1, 11)) | {12}, frozenset({11})]
