"""Offsets and rates of clocks found again from exchanges over a wire with jitter."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.link.time_base import ClockLine, common_s


def exchanges(line: ClockLine, offset_s: float, ppm: float, seconds: float, seed: int, count: int = 64) -> None:
    """Exchanges of 2 to 12 ms, in which the board answers anywhere between question and answer."""
    rng = np.random.default_rng(seed)
    for asked_s in np.linspace(0, seconds, count):
        trip_s = 0.002 + rng.exponential(0.003)
        then_s = asked_s + rng.uniform(0, trip_s)
        line.note(asked_s, asked_s + trip_s, then_s * (1 + ppm * 1e-6) + offset_s)


@given(offset_s=st.floats(-1e4, 1e4), ppm=st.floats(-100, 100), seed=st.integers(0, 50))
def test_a_clock_is_known_within_half_the_quickest_exchange(offset_s: float, ppm: float, seed: int) -> None:
    line = ClockLine()
    exchanges(line, offset_s, ppm, 60.0, seed)

    for loop_s in (1.0, 30.0, 60.0):
        true_s = loop_s * (1 + ppm * 1e-6) + offset_s
        assert line.board_s(loop_s) == pytest.approx(true_s, abs=line.uncertain_s + 1e-3)
        assert line.loop_s(true_s) == pytest.approx(loop_s, abs=line.uncertain_s + 1e-3)


def test_one_boards_time_is_anothers_after_hours_of_drift() -> None:
    first, other = ClockLine(), ClockLine()
    exchanges(first, 12.0, 40.0, 7200.0, 1)
    exchanges(other, 900.0, -60.0, 7200.0, 2)

    at_other_s = 5000.0 * (1 - 60e-6) + 900.0
    at_first_s = 5000.0 * (1 + 40e-6) + 12.0
    assert common_s(other, first, at_other_s) == pytest.approx(at_first_s, abs=0.002)
    # Without the rates they would be half a second apart by then.
    assert abs((at_other_s - 900.0) - (at_first_s - 12.0)) > 0.4


def test_over_a_moment_jitter_is_not_taken_for_a_rate() -> None:
    line = ClockLine()
    exchanges(line, 3.0, 0.0, 0.5, 4)

    assert line.board_s(1000.0) == pytest.approx(1003.0, abs=0.003)
