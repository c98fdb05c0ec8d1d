"""Calibration arithmetic beside worked examples of the GUM (JCGM 100:2008)."""

from math import sqrt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.electrical.uncertainty import (
    Estimate,
    Mean,
    after,
    current_gain,
    offset,
    shared,
    steps,
    voltage_gain,
    within,
)

GAIN_V = Estimate("voltage gain", 0.0, "1", ())


@pytest.mark.parametrize(
    ("readings", "mean", "standard"),
    [
        ([5.007, 4.994, 5.005, 4.990, 4.999], 4.9990, 0.0032),
        ([19.663, 19.639, 19.640, 19.685, 19.678], 19.6610, 0.0095),
        ([1.0456, 1.0438, 1.0468, 1.0428, 1.0433], 1.04446, 0.00075),
    ],
)
def test_mean_and_type_a_uncertainty_of_the_gums_example_h2(
    readings: list[float], mean: float, standard: float
) -> None:
    """JCGM 100:2008, table H.2: voltage, current, phase; numbers from memory."""
    found = Mean.of(readings)

    assert found.value == pytest.approx(mean, abs=5e-6)
    assert found.standard == pytest.approx(standard, abs=5e-5)


def test_type_b_uncertainties_of_the_gum() -> None:
    """4.3.7: a/sqrt(3); F.2.2.1: a step d gives 0.29 d."""
    assert within(3.0) == pytest.approx(3 / sqrt(3))
    assert steps(1.0) == pytest.approx(0.29, abs=0.002)


def test_a_gain_beside_a_meter() -> None:
    found = voltage_gain(Mean(12.0, 0.0, 10), 12.6, 0.0, 0.0)

    assert found.value == pytest.approx(0.05)
    assert found.standard == 0.0


def test_a_meters_limits_reach_the_gain_and_through_it_the_current() -> None:
    gain_v = voltage_gain(Mean(12.0, 0.0, 10), 12.0, 0.012, 0.0)
    found = current_gain("gain", Mean(1.2, 0.0, 10), Mean(12.0, 0.0, 10), gain_v, 10.0, 0.002, 0.0)

    assert gain_v.standard == pytest.approx(0.001 / sqrt(3))
    assert found.value == pytest.approx(0.0)
    assert found.standard == pytest.approx(sqrt(0.001**2 + 0.002**2) / sqrt(3))


def test_channels_that_were_not_measured_are_less_sure() -> None:
    measured = [Estimate("a", 0.01, "1", ()), Estimate("b", 0.03, "1", ())]
    found = shared(measured, 0.006)

    assert found.value == pytest.approx(0.02)
    assert found.standard == pytest.approx(0.006 / sqrt(3))


def test_what_can_not_be_compared_is_refused() -> None:
    with pytest.raises(ValueError, match="at least two"):
        Mean.of([1.0])
    with pytest.raises(ValueError, match="zero or less"):
        voltage_gain(Mean(0.0, 0.0, 2), 12.0, 0.01, 0.001)
    with pytest.raises(ValueError, match="no gain"):
        shared([], 0.01)


def test_an_offset_names_its_budget() -> None:
    found = offset("offset", Mean(0.004, 0.003, 9), 0.001, "A")

    assert [line.name for line in found.budget] == ["scatter of the mean", "step of the register"]
    assert found.standard == pytest.approx(sqrt(0.001**2 + 0.001**2 / 12))


small = st.floats(-0.2, 0.2)


@given(reading=st.floats(-30, 30), first=st.tuples(small, small), second=st.tuples(small, small))
def test_two_corrections_one_after_the_other_are_one(
    reading: float, first: tuple[float, float], second: tuple[float, float]
) -> None:
    both = after(*first, *second)
    once = (reading - first[0]) * (1 + first[1])
    twice = (once - second[0]) * (1 + second[1])

    assert (reading - both[0]) * (1 + both[1]) == pytest.approx(twice, abs=1e-9)
