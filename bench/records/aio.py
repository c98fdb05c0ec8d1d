"""The store from async code: one thread, in order, with a parent.

    async with AsyncStore(store) as records:
        await records.call(store.begin, run)
        await records.add_step(run.id, step)

Every call runs in the one thread of this object, through ``loop.run_in_executor``: the virtual-time loop
knows such a call is in flight and holds its clock until it is done. A call that has begun is carried out
even when its awaiter is cancelled, so that what was measured is not lost; leaving the block waits for it.
"""

import asyncio
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from types import TracebackType
from typing import ParamSpec, Self, TypeVar

from bench.records.store import Store
from bench.results import Run, RunState, StepResult

P = ParamSpec("P")
T = TypeVar("T")


class AsyncStore:
    """A ``Store`` whose calls don't block the loop; closes the store on the way out."""

    def __init__(self, store: Store) -> None:
        self.store = store
        self._thread = ThreadPoolExecutor(max_workers=1, thread_name_prefix="records")

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            await self.call(self.store.close)
        finally:
            self._thread.shutdown(wait=False)

    async def call(self, function: Callable[P, T], /, *args: P.args, **kwargs: P.kwargs) -> T:
        """Any call on the store, in its thread."""
        work = asyncio.get_running_loop().run_in_executor(self._thread, partial(function, *args, **kwargs))
        return await asyncio.shield(work)

    async def begin(self, run: Run) -> None:
        """See ``Store.begin``."""
        await self.call(self.store.begin, run)

    async def add_step(self, run_id: str, step: StepResult) -> None:
        """See ``Store.add_step``."""
        await self.call(self.store.add_step, run_id, step)

    async def finish(self, run_id: str, state: RunState, duration_s: float, reason: str | None = None) -> None:
        """See ``Store.finish``."""
        await self.call(self.store.finish, run_id, state, duration_s, reason)
