"""Values over many runs as a page: every value in a bar, limits drawn, nothing off the paper."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from bench.reports import Series, render_statistics
from bench.reports.statistics_page import bars, histogram, in_time
from tests.bench.reports.html_reading import read

VALUES = np.random.default_rng(7).normal(2.0, 0.05, 144).tolist()
SERIES = Series("stop current, tandem", "A", VALUES, 1.8, 2.2, {"Cp": "1.3"})
series = st.builds(
    Series,
    st.text(max_size=10),
    st.sampled_from(["A", "Pa", "Pa/s", "mm", "s", "1"]),
    st.lists(st.floats(-1e9, 1e9), min_size=1, max_size=60),
    st.none() | st.floats(-1e9, 1e9),
    st.none() | st.floats(-1e9, 1e9),
    st.just({}),
)


def test_bars_hold_every_value_and_are_those_of_numpy() -> None:
    """Counts as numpy.histogram gives them for the same edges."""
    edges, counts = bars(VALUES)

    assert sum(counts) == len(VALUES)
    assert counts == np.histogram(VALUES, edges)[0].tolist()


def test_equal_values_are_one_bar() -> None:
    assert bars([2.0] * 9)[1] == [9]


def test_the_page_has_figures_and_both_plots_with_limits() -> None:
    page = read(render_statistics("Measured over runs: stop", [SERIES], "us"))
    pictures = page.all("svg")

    assert page.broken == []
    assert "stop current, tandem" in page.words
    assert "Cp 1.3" in page.words
    assert len(pictures) == 2
    limits = [line for line in page.all("line") if line.attributes.get("class") == "limit"]
    assert len(limits) == 4


def test_names_are_words_not_markup() -> None:
    odd = Series("<script>1</script>", "A", [1.0, 2.0], None, None, {"<b>": "<i>"})

    assert read(render_statistics("<x>", [odd], "us")).all("script") == []


@given(series)
def test_nothing_is_drawn_off_the_paper(one: Series) -> None:
    for picture in (histogram(one, "us"), in_time(one, "metric")):
        page = read(f"<main>{picture}</main>")
        for shape in [*page.all("rect"), *page.all("circle"), *page.all("line")]:
            for name, end in (("x", 460), ("cx", 460), ("x1", 460), ("x2", 460), ("y", 230), ("cy", 230), ("y1", 230)):
                assert 0 <= float(shape.attributes.get(name, 0)) <= end + 0.1
