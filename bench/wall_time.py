"""Wall time in fine steps: an event loop whose timers are late by a tenth of a millisecond, not by half of one.

``epoll_wait`` counts in whole milliseconds, so asyncio rounds every wait up to the next one. A scan over a serial
line waits three times: for question and answer on a paced wire, and for the silence between frames (1.75 ms, so
2 ms and a bit); late by half a millisecond each, that is a twelfth of a scan. ``select`` counts in microseconds, and
an epoll object is itself a file that it can wait for: so the waiting is done there, and epoll says what is ready.
"""

import asyncio
import select
import selectors
import sys
from collections.abc import Coroutine
from typing import Any, TypeVar

T = TypeVar("T")

if sys.platform == "linux":

    class _FineSelector(selectors.EpollSelector):
        """Waits to the microsecond."""

        def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
            if timeout is not None and timeout > 0:
                select.select([self.fileno()], [], [], timeout)
                timeout = 0
            return super().select(timeout)

    def fine_loop() -> asyncio.AbstractEventLoop:
        """A new event loop on wall time."""
        return asyncio.SelectorEventLoop(_FineSelector())

else:  # kqueue counts in nanoseconds by itself
    fine_loop = asyncio.new_event_loop


def run_wall(main: Coroutine[Any, Any, T]) -> T:
    """Run ``main`` to its end on a new loop, as ``asyncio.run`` does."""
    with asyncio.Runner(loop_factory=fine_loop) as runner:
        return runner.run(main)
