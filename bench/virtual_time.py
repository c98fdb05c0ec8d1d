"""Virtual time: an event loop that jumps to the next timer instead of waiting for it.

A simulated board runs in the same process as the controller, so nobody outside has to keep up.
Whenever no task can run and no byte is waiting, the loop moves its clock to the earliest timer.
A 25-minute inspection then takes as long as its arithmetic, and every run of it is the same.

Three things follow for code that runs on it:

- It must take its time from ``loop.time()``; any other clock stands still beside it.
- Sockets work only between two ends in this process: time would jump past a peer in another one.
- While a worker thread runs (``asyncio.to_thread``), time stands and the loop really waits, so a
  thread costs no virtual time and never looks like a timeout.
"""

import asyncio
import selectors
from collections.abc import Callable, Coroutine, Iterator
from concurrent.futures import Executor
from contextlib import contextmanager
from typing import Any, TypeVar, TypeVarTuple

T = TypeVar("T")
Arguments = TypeVarTuple("Arguments")


class DeadlockError(RuntimeError):
    """Every task waits and nothing is scheduled that could wake one."""


class _JumpingSelector(selectors.DefaultSelector):
    """Answers at once, and moves virtual time by what the loop was ready to wait."""

    now_s = 0.0
    threads = 0

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        ready = super().select(0)
        if ready or timeout == 0:
            return ready
        if self.threads:
            # The loop's own wake-up pipe is among the files, so a finished thread ends this.
            return super().select(None)
        if timeout is None:
            raise DeadlockError(f"at {self.now_s:g} s every task waits and nothing is scheduled")
        self.now_s += max(timeout, 0.0)
        return ready

    @contextmanager
    def standing(self) -> Iterator[None]:
        """Hold the clock while a thread works."""
        self.threads += 1
        try:
            yield
        finally:
            self.threads -= 1


class VirtualTimeLoop(asyncio.SelectorEventLoop):
    """Event loop on virtual time, which starts at 0 s."""

    def __init__(self) -> None:
        self._jumping = _JumpingSelector()
        super().__init__(self._jumping)

    def time(self) -> float:
        """Virtual seconds since the loop was made."""
        return self._jumping.now_s

    def run_in_executor(
        self, executor: Executor | None, func: Callable[[*Arguments], T], *args: *Arguments
    ) -> asyncio.Future[T]:
        """As any loop's; virtual time stands until ``func`` has returned."""
        future = super().run_in_executor(executor, func, *args)
        standing = self._jumping.standing()
        standing.__enter__()
        future.add_done_callback(lambda _: standing.__exit__(None, None, None))
        return future

    async def shutdown_default_executor(self, *args: Any) -> None:
        """As any loop's; joining the threads is no deadlock."""
        with self._jumping.standing():
            await super().shutdown_default_executor(*args)


def run_virtual(main: Coroutine[Any, Any, T]) -> T:
    """Run ``main`` to its end on a new virtual-time loop, as ``asyncio.run`` does on wall time.

    Raises:
        DeadlockError: ``main`` can never end.
    """
    with asyncio.Runner(loop_factory=VirtualTimeLoop) as runner:
        return runner.run(main)
