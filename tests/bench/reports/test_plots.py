import math
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.reports.plots import Axis, LimitLine, line_plot, rail, thinned, ticks
from tests.bench.reports.html_reading import read

finite = st.floats(-1e6, 1e6)


@given(low=st.floats(-1e3, 1e3), span=st.floats(0.1, 1e6), about=st.integers(2, 8))
def test_ticks_are_round_and_inside_and_about_as_many_as_asked(low: float, span: float, about: int):
    found = ticks(low, low + span, about)
    steps = {round((after - before) / span, 9) for before, after in pairwise(found)}

    assert len(found) <= about + 2
    assert all(low - span * 1e-6 <= tick <= low + span * (1 + 1e-6) for tick in found)
    assert len(steps) <= 2  # one step, but for the rounding of differences
    if found[1:]:
        mantissa = (found[1] - found[0]) / 10 ** math.floor(math.log10((found[1] - found[0]) * 1.0001))
        assert min(abs(mantissa - nice) for nice in (1, 2, 5, 10)) < 0.05


@given(samples=st.lists(finite, min_size=1, max_size=500), buckets=st.integers(2, 50))
def test_thinning_keeps_the_highest_and_the_lowest_and_the_order(samples: list[float], buckets: int):
    kept = thinned(samples, buckets)

    assert max(value for _, value in kept) == max(samples)
    assert min(value for _, value in kept) == min(samples)
    assert [index for index, _ in kept] == sorted({index for index, _ in kept})
    assert len(kept) <= max(2 * buckets, len(samples) if len(samples) <= 2 * buckets else 0)


@given(value=st.floats(-1e9, 1e9))
def test_nothing_is_drawn_off_the_paper(value: float):
    assert 10 <= Axis(0, 1, 10, 100).at(value) <= 100


def words_of(picture: str) -> str:
    page = read(f"<main>{picture}</main>")
    assert page.broken == []
    return page.words


def test_a_plot_says_what_it_shows():
    words = words_of(line_plot("inrush stop: current", [0.0, 6.0, 3.0, 2.0], 0.001, "A", "us"))

    assert "inrush stop: current" in words
    assert "Over 4 ms: lowest 0 A, highest 6 A, at the end 2 A." in words
    assert "time, ms" in words


def test_a_limit_near_the_curve_is_a_line_and_one_far_above_is_named():
    limits = [LimitLine(6.0, "soft-start limit"), LimitLine(15.0, "trip limit")]
    picture = line_plot("p", [0.0, 4.0, 3.0], 0.001, "A", "us", limits)

    assert str(picture).count('class="limit"') == 1
    assert "soft-start limit 6 A" in words_of(picture)
    assert "trip limit 15 A: above this scale ↑" in words_of(picture)


def test_a_pressure_is_drawn_in_the_units_of_the_reader():
    picture = line_plot("p", [0.0, 689_475.7], 60.0, "Pa", "us", [LimitLine(689_475.7, "ceiling")])

    assert "highest 100 psi" in words_of(picture)
    assert "ceiling 100 psi" in words_of(picture)
    assert "time, s" in words_of(picture)


def test_a_gap_in_the_samples_is_a_gap_in_the_line():
    picture = line_plot("p", [1.0, 2.0, math.nan, 2.0, 1.0], 1.0, "A", "us")

    assert str(picture).count('class="trace"') == 2


@pytest.mark.parametrize("samples", [[], [math.nan], [math.inf, -math.inf]])
def test_nothing_to_draw_gives_nothing(samples: list[float]):
    assert line_plot("p", samples, 1.0, "A", "us") == ""


@pytest.mark.parametrize("samples", [[0.0], [0.0, 0.0], [5.0, 5.0], [-3.0, -3.0], [1e-12, 2e-12], [12.60, 12.61]])
def test_flat_and_tiny_curves_are_drawn(samples: list[float]):
    assert "<svg" in line_plot("p", samples, 1.0, "V", "us")


@given(value=finite, low=st.none() | finite, high=st.none() | finite)
def test_a_rail_never_leaves_its_picture(value: float, low: float | None, high: float | None):
    if low is not None and high is not None:
        low, high = sorted((low, high))
    page = read(f"<main>{rail(value, low, high)}</main>")
    xs = [float(element.attributes[name]) for element in page.all("line") for name in ("x1", "x2")]

    assert bool(page.all("svg")) == (low is not None or high is not None)
    assert all(0 <= x <= 132 for x in xs)


def test_a_value_beyond_its_limit_has_another_needle():
    assert "needle out" in rail(3.0, 1.0, 2.0)
    assert "needle out" not in rail(2.0, 1.0, 2.0)
