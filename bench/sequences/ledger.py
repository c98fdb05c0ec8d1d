"""A run's way into the record: begun before anything is switched, each step as it ends, closed whatever happens."""

import asyncio
from collections.abc import Awaitable, Callable
from dataclasses import replace
from datetime import datetime
from typing import Protocol

from bench.errors import Stopped
from bench.events import Listener, RunEnded, RunStarted, StepEnded
from bench.profiles.model import Profile
from bench.results import BoardInfo, Run, RunState, StepResult
from bench.safety import GuardedBoard
from bench.safety.way_out import finish


class RunStore(Protocol):
    """Where runs are kept. A step is safe when ``add_step`` returns."""

    async def begin(self, run: Run) -> None:
        """Keep a new run."""

    async def add_step(self, run_id: str, step: StepResult) -> None:
        """Keep a step of it."""

    async def finish(self, run_id: str, state: RunState, duration_s: float, reason: str | None = None) -> None:
        """Close it."""


def new_run(
    guard: GuardedBoard,
    profile: Profile,
    run_id: str,
    started: datetime,
    board_url: str,
    command: str,
    *,
    unit_number: str | None,
    vin: str | None,
    operator: str | None,
) -> Run:
    """A run that is about to begin, on the board that ``guard`` holds."""
    board = guard.identity
    contract = ".".join(map(str, board.contract))
    return Run(
        id=run_id,
        command=command,
        profile=profile.name,
        started=started.isoformat(),
        board=BoardInfo(board_url, board.serial, board.firmware, contract, board.channels, board.calibrated),
        unit_number=unit_number,
        vin=vin,
        operator=operator,
    )


async def keep_nothing() -> None:
    """Nothing more than the steps is kept."""


class Ledger:
    """One run while it goes on. What is written is written whole, however often its writer is cancelled.

    Attributes:
        run: what is in the record so far.
    """

    def __init__(self, run: Run, guard: GuardedBoard, store: RunStore, tell: Listener) -> None:
        self.run = run
        self._guard = guard
        self._store = store
        self._tell = tell
        self._begun = False
        self._started_s = 0.0
        self._board_s = 0.0

    async def begin(self, steps: tuple[str, ...]) -> None:
        """Put the run into the record, then tell."""
        self._started_s = self._board_s = (await self._guard.snapshot()).uptime_s
        await finish(self._begin(steps))

    async def _begin(self, steps: tuple[str, ...]) -> None:
        await self._store.begin(self.run)
        self._begun = True
        self._tell(RunStarted(self.run, steps))

    async def add(self, step: StepResult) -> None:
        """Put a step into the record, then tell."""
        await finish(self._add(step))

    async def _add(self, step: StepResult) -> None:
        await self._store.add_step(self.run.id, step)
        self._board_s = max(self._board_s, step.started_s + step.duration_s)
        self.run = replace(self.run, steps=(*self.run.steps, step))
        self._tell(StepEnded(step))

    async def complete(self) -> Run:
        """Outputs off, then close the record of a run that came to its end."""
        await self._guard.off()
        self._board_s = (await self._guard.snapshot()).uptime_s
        await finish(self._close("complete", None))
        return self.run

    async def cut_short(
        self, error: BaseException, unfinished: StepResult | None, keep: Callable[[], Awaitable[None]] = keep_nothing
    ) -> None:
        """Outputs off, then close the record of a run that ``error`` ended; nothing cuts this short."""
        stopped = isinstance(error, asyncio.CancelledError | Stopped)
        await finish(self._cut_short("stopped" if stopped else "failed", why(error), unfinished, keep))

    async def _cut_short(
        self, state: RunState, reason: str, unfinished: StepResult | None, keep: Callable[[], Awaitable[None]]
    ) -> None:
        await self._guard.safe()
        if not self._begun:
            return
        try:
            if unfinished is not None:
                await self._add(unfinished)
            await keep()
        finally:
            await self._close(state, reason)

    async def _close(self, state: RunState, reason: str | None) -> None:
        duration_s = self._board_s - self._started_s
        await self._store.finish(self.run.id, state, duration_s, reason)
        self.run = replace(self.run, state=state, duration_s=duration_s, reason=reason)
        self._tell(RunEnded(self.run))


def why(error: BaseException) -> str:
    """What ended a run early, in words for its record."""
    if isinstance(error, asyncio.CancelledError):
        return "stopped by the operator"
    return str(error) or type(error).__name__
