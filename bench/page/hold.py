"""Hold to apply: what moves goes on only while a person holds a button on the page that has control.

The page says so several times in a quarter of a second. The server does not believe in a button that it has not heard
of for that long: a timer of its own lets go, whatever the page, the network or the phone do. The interlock has the
same time once more, and the board's watchdog is behind both.

Some stages only keep still what has been moved (brakes held for measuring, a line watched for leaks). A person must
then walk about, so the finger may come off: the device itself goes on saying that it is there and its screen is on.
"""

import asyncio
from collections.abc import Awaitable, Callable

from bench.safety import GuardedBoard, Stage
from bench.safety.interlock import TABLE

LOST_S = 0.25
KEPT_BY_DEVICE = frozenset({Stage.APPLIED, Stage.MEASURED})


class Hold:
    """The hand of one bay (see ``bench.safety.hand``).

    Args:
        changed: called when what is shown of it has changed.
        spawn: runs a coroutine to its end in the bay's own group of tasks.

    Attributes:
        wanted: the stage that waits to be held.
        held: somebody holds.
    """

    def __init__(self, changed: Callable[[], None], spawn: Callable[[Callable[[], Awaitable[None]]], object]) -> None:
        self.wanted: Stage | None = None
        self.held = False
        self._changed = changed
        self._spawn = spawn
        self._guard: GuardedBoard | None = None
        self._timer: asyncio.TimerHandle | None = None
        self._taken = asyncio.Event()

    def attach(self, guard: GuardedBoard | None) -> None:
        """Hold what this guard moves; nothing with None."""
        self.let_go()
        self._guard = guard
        self.wanted = None

    @property
    def stage(self) -> Stage | None:
        """Where the air is."""
        return None if self._guard is None else self._guard.air.state.stage

    @property
    def needed(self) -> bool:
        """Whether something goes on only while it is held, or waits for that."""
        return self.wanted is not None or (self.stage is not None and TABLE[self.stage].held)

    @property
    def keeps(self) -> bool:
        """Whether the device alone, without a finger, is enough now."""
        return self.stage in KEPT_BY_DEVICE

    async def taken(self, stage: Stage) -> None:
        """Wait until somebody holds."""
        self.wanted = stage
        self._changed()
        try:
            await self._taken.wait()
        finally:
            self.wanted = None
            self._changed()

    def beat(self, *, finger: bool) -> None:
        """The device in control says that it holds: with a finger, or by being there."""
        if self._guard is None or not self.needed or not (finger or self.keeps):
            return
        self._guard.air.hold()
        self._taken.set()
        if self._timer is not None:
            self._timer.cancel()
        self._timer = asyncio.get_running_loop().call_later(LOST_S, self.let_go)
        if not self.held:
            self.held = True
            self._changed()

    def let_go(self) -> None:
        """Nobody holds any more: what is held ends now."""
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        self._taken.clear()
        if not self.held:
            return
        self.held = False
        self._changed()
        if self._guard is not None and self.stage is not None and TABLE[self.stage].held:
            self._guard.air.let_go()
            self._spawn(self._look)

    async def _look(self) -> None:
        """Have the interlock look at once, not when its keeper comes by."""
        guard = self._guard
        if guard is not None:
            await guard.air.look()
