"""Streaming statistics beside numpy and scipy on the same values."""

import json
from statistics import fmean

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from bench.results import Value, Verdict
from bench.sequences.scripted.tally import COURSE, KEPT, Course, Tally, drift

FIGURES = st.lists(st.floats(-1e3, 1e3), min_size=3, max_size=60)


def tally_of(figures: list[float]) -> Tally:
    tally = Tally(Value("current", None, "A"))
    for x, figure in enumerate(figures, 1):
        tally.add(Value("current", figure, "A"), float(x))
    return tally


@given(FIGURES)
def test_mean_deviation_and_slope_are_numpys_and_scipys(figures: list[float]) -> None:
    tally = tally_of(figures)
    line = stats.linregress(range(1, len(figures) + 1), figures)
    found = drift(tally)

    assert tally.mean == pytest.approx(np.mean(figures), abs=1e-9)
    assert tally.deviation == pytest.approx(np.std(figures, ddof=1), abs=1e-6)
    assert found
    assert found.per_cycle == pytest.approx(line.slope, abs=1e-6)


def test_the_interval_of_a_drift_is_scipys() -> None:
    figures = [1.0, 1.2, 1.1, 1.5, 1.4, 1.9, 1.8, 2.2]
    line = stats.linregress(range(1, 9), figures)
    found = drift(tally_of(figures))

    assert found
    assert found.plus_minus == pytest.approx(line.stderr * stats.t.ppf(0.975, 6))
    assert found.chance == pytest.approx(line.pvalue)
    assert found.certain


def test_noise_alone_is_rarely_called_a_drift() -> None:
    rng = np.random.default_rng(5)
    alarms = sum(bool((found := drift(tally_of(rng.normal(size=50).tolist()))) and found.certain) for _ in range(500))

    assert alarms <= 3


@given(FIGURES)
def test_a_tally_survives_being_written_down(figures: list[float]) -> None:
    tally = tally_of(figures)

    assert Tally.of(json.loads(json.dumps(tally.document()))) == tally


def test_few_values_stand_one_by_one_and_many_as_their_sum() -> None:
    few = tally_of([1.0, 2.0]).values()
    many = tally_of([float(n) for n in range(KEPT + 1)]).values()

    assert [(value.name, value.value) for value in few] == [("current (1)", 1.0), ("current (2)", 2.0)]
    assert [value.name for value in many][:2] == ["current, mean", "current, standard deviation"]


def test_one_that_failed_makes_the_sum_fail_and_what_was_not_measured_is_counted() -> None:
    tally = tally_of([1.0] * 30)
    tally.add(Value("current", 9.0, "A", high=5.0, verdict=Verdict.FAIL), 31)
    tally.add(Value("current", None, "A", verdict=Verdict.NOT_TESTED), 32)
    said = {value.name: value for value in tally.summary()}

    assert said["current, mean"].verdict is Verdict.FAIL
    assert said["current, not passed"].value == 1
    assert said["current, not measured"].value == 1


@given(st.integers(1, 20_000))
def test_a_course_stays_short_and_keeps_the_mean(count: int) -> None:
    course = Course()
    for n in range(count):
        course.add(float(n))

    assert len(course.points) < COURSE
    whole = len(course.points) * course.stride
    if course.points:
        assert fmean(course.points) == pytest.approx((whole - 1) / 2)
