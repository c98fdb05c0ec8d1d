"""Gauge R & R beside the worked example of the trade's manual, and beside made-up gauges that are known."""

import numpy as np
import pytest

from bench.errors import InputError
from bench.records.gauge import crossed, gauge_study

# Ten parts, three appraisers, three trials: the worked example of the AIAG manual "Measurement Systems Analysis"
# (data and results from memory; that the one gives the other to the last digit speaks for both).
A = """.29 -.56 1.34 .47 -.80 .02 .59 -.31 2.26 -1.36
       .41 -.68 1.17 .50 -.92 -.11 .75 -.20 1.99 -1.25
       .64 -.58 1.27 .64 -.84 -.21 .66 -.17 2.01 -1.31"""
B = """.08 -.47 1.19 .01 -.56 -.20 .47 -.63 1.80 -1.68
       .25 -1.22 .94 1.03 -1.20 .22 .55 .08 2.12 -1.62
       .07 -.68 1.34 .20 -1.28 .06 .83 -.34 2.19 -1.50"""
C = """.04 -1.38 .88 .14 -1.46 -.29 .02 -.46 1.77 -1.49
       -.11 -1.13 1.09 .20 -1.07 -.67 .01 -.56 1.45 -1.77
       -.15 -.96 .67 .11 -1.45 -.49 .21 -.49 1.87 -2.16"""


def example() -> np.ndarray:
    """Shape (10 parts, 3 appraisers, 3 trials)."""
    each = [np.array([line.split() for line in text.splitlines()], dtype=float) for text in (A, B, C)]
    return np.stack(each).transpose(2, 0, 1)


def test_the_analysis_of_variance_is_the_manuals() -> None:
    study = gauge_study(example())
    rows = [study.parts, study.operators, study.interaction, study.error]

    assert [round(row.squares, 4) for row in rows] == [88.3619, 3.1673, 0.3590, 2.7589]
    assert [row.freedom for row in rows] == [9, 2, 18, 60]
    assert study.interaction.f == pytest.approx(0.434, abs=0.001)


def test_the_components_are_the_manuals() -> None:
    study = gauge_study(example())

    assert study.repeatability == pytest.approx(0.19993, abs=2e-5)
    assert study.reproducibility == pytest.approx(0.22684, abs=2e-5)
    assert study.gauge == pytest.approx(0.30237, abs=2e-5)
    assert study.part_to_part == pytest.approx(1.04233, abs=2e-5)
    assert study.share == pytest.approx(0.2786, abs=1e-4)
    assert int(study.categories) == 4


def test_a_gauge_that_is_known_is_found_again() -> None:
    rng = np.random.default_rng(3)
    parts, operators = rng.normal(0, 2.0, (400, 1, 1)), rng.normal(0, 0.5, (1, 40, 1))
    study = gauge_study(parts + operators + rng.normal(0, 0.3, (400, 40, 2)))

    assert study.repeatability == pytest.approx(0.3, rel=0.02)
    assert study.reproducibility == pytest.approx(0.5, rel=0.25)
    assert study.part_to_part == pytest.approx(2.0, rel=0.1)


def test_an_operator_who_differs_from_part_to_part_is_reproducibility_too() -> None:
    rng = np.random.default_rng(4)
    study = gauge_study(
        rng.normal(0, 1.0, (60, 1, 1)) + rng.normal(0, 0.4, (60, 6, 1)) + rng.normal(0, 0.1, (60, 6, 3))
    )

    assert study.interaction.chance == pytest.approx(0, abs=1e-6)
    assert study.reproducibility == pytest.approx(0.4, rel=0.15)


@pytest.mark.parametrize("shape", [(1, 3, 3), (10, 1, 3), (10, 3, 1)])
def test_too_small_a_study_is_refused(shape: tuple[int, int, int]) -> None:
    with pytest.raises(InputError, match="at least two"):
        gauge_study(np.zeros(shape))


def test_values_in_any_order_are_sorted_into_parts_operators_and_trials() -> None:
    values = [("b", "y", 4.0), ("a", "x", 1.0), ("a", "y", 2.0), ("b", "x", 3.0)] * 2

    assert crossed(values).tolist() == [[[1.0, 1.0], [2.0, 2.0]], [[3.0, 3.0], [4.0, 4.0]]]


def test_a_study_with_a_hole_says_where_it_is() -> None:
    with pytest.raises(InputError, match="y has 1 of b"):
        crossed([("a", "x", 1.0), ("a", "y", 1.0), ("b", "x", 1.0)] * 2 + [("b", "y", 1.0)])
