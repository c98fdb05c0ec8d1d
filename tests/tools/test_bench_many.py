"""The benchmark of many boards: its loop's clock, and that a few boards make a whole figure."""

import asyncio
import gc
import time
from collections.abc import Iterator
from xml.etree import ElementTree

import pytest

from tools.bench_many import Figure, OneCoreLoop, drawing, measure, taken


def test_the_loops_clock_is_processor_time_and_idle_time_is_jumped_over():
    async def main() -> tuple[float, float]:
        loop = asyncio.get_running_loop()
        begun_s, cpu_s = loop.time(), time.process_time()
        await asyncio.sleep(100)
        sum(range(200_000))
        return loop.time() - begun_s, time.process_time() - cpu_s

    with asyncio.Runner(loop_factory=OneCoreLoop) as runner:
        passed_s, worked_s = runner.run(main())

    assert 100 + worked_s - 0.01 <= passed_s < 101 + worked_s


@pytest.fixture
def own_heap() -> Iterator[None]:
    """What the tests before have left is not collected meanwhile: on this clock that is time in which nobody is fed."""
    gc.collect()
    gc.freeze()
    yield
    gc.unfreeze()


@pytest.mark.usefixtures("own_heap")
def test_two_boards_are_polled_without_a_watchdog_trip():
    figure = taken(measure(2, 1.0), wall=False)

    assert (figure.boards, figure.trips) == (2, 0)
    assert 38 <= figure.polls <= 42
    assert 0 < figure.core < 1


def test_the_drawing_is_svg_with_a_point_a_size():
    figures = [Figure(n, 100, 0, 0, 0.02 * n, 0.01, 0.002) for n in (1, 2, 4)]
    tree = ElementTree.fromstring(drawing(figures))  # noqa: S314 - our own text

    assert len(tree.findall("{http://www.w3.org/2000/svg}circle")) == 3
