"""What every test may use.

Virtual time: write ``pytestmark = pytest.mark.virtual_time`` at the head of a module (or mark one
test), and its async tests and fixtures run on ``bench.virtual_time.VirtualTimeLoop``: sleeping
costs nothing, and waiting for something that can never happen is an error. Everything such a test
talks to must live in its own process. Other async tests run on an ordinary loop and wall time.
In a synchronous test (for example under ``@given``) call ``run_virtual(coroutine)``.

Hypothesis: no deadlines, because a loaded machine is slow and not wrong; the same examples every
time, so that a failure is everybody's. ``--hypothesis-profile=wander`` looks for new ones.
"""

import asyncio
from collections.abc import Callable

import pytest
from hypothesis import settings

from bench.virtual_time import VirtualTimeLoop

settings.register_profile("wander", deadline=None)
settings.register_profile("steady", parent=settings.get_profile("wander"), derandomize=True)
settings.load_profile("steady")


def pytest_configure(config: pytest.Config) -> None:
    config.addinivalue_line("markers", "virtual_time: run this async test on the virtual-time loop")


def pytest_asyncio_loop_factories(
    config: pytest.Config, item: pytest.Item
) -> dict[str, Callable[[], asyncio.AbstractEventLoop]]:
    if item.get_closest_marker("virtual_time"):
        return {"virtual": VirtualTimeLoop}
    return {"wall": asyncio.new_event_loop}
