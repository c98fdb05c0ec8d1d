"""An end that comes from elsewhere: it interrupts whoever awaits something, and reaches them as an error.

The mechanism is the standard library's ``asyncio.timeout``, fired by hand: it cancels the task,
counts cancellations, and turns exactly its own one into an exception, so that a real
cancellation passes through untouched.
"""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any


class Ending:
    """At most one error that ends a session; the first wins."""

    def __init__(self) -> None:
        self.error: BaseException | None = None
        self._open: list[tuple[asyncio.Task[Any] | None, asyncio.Timeout]] = []

    def because(self, error: BaseException) -> None:
        """End it. Tasks inside ``interruptible`` are interrupted, except the one that calls this."""
        if self.error is not None:
            return
        self.error = error
        spared = {asyncio.current_task()}
        for task, interruption in reversed(self._open):
            if task not in spared:  # once a task, in its innermost block
                spared.add(task)
                interruption.reschedule(asyncio.get_running_loop().time())

    def check(self) -> None:
        """Raise the error, if it has ended."""
        if self.error is not None:
            raise self.error

    @asynccontextmanager
    async def interruptible(self) -> AsyncIterator[None]:
        """A block in which the current task is interrupted by the end, and which raises its error."""
        self.check()
        interruption = asyncio.timeout(None)
        entry = (asyncio.current_task(), interruption)
        try:
            async with interruption:
                self._open.append(entry)
                try:
                    yield
                finally:
                    self._open.remove(entry)
        except TimeoutError:
            if interruption.expired():
                self.check()
            raise
