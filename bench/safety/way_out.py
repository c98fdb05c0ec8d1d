"""The way out: everything off, within a deadline that no cancellation moves."""

import asyncio
from collections.abc import Callable, Coroutine
from typing import Any, TypeVar

from bench.errors import BenchError
from bench.safety.port import BoardPort

OFF_WITHIN_S = 0.5
TRY_AGAIN_S = 0.02

T = TypeVar("T")


async def finish(work: Coroutine[Any, Any, T]) -> T:
    """Await ``work`` to its end, however often the caller is cancelled meanwhile.

    ``work`` must bound its own time. The first cancellation is passed on when it is done.
    """
    task = asyncio.get_running_loop().create_task(work, name="way out")
    cancelled: asyncio.CancelledError | None = None
    while not task.done():
        try:
            await asyncio.wait({task})
        except asyncio.CancelledError as error:
            cancelled = cancelled or error
    if cancelled is not None:
        raise cancelled
    return task.result()


async def switch_off(board: BoardPort, watchdog_s: float | None, notice: Callable[[str], None]) -> bool:
    """Send SAFE until the board says that it is done, for at most half a second.

    Args:
        board: claimed or not.
        watchdog_s: the time of its watchdog; None when it has none.
        notice: is told what a board that can't be reached does now.

    Returns:
        False when the board could not be reached: then its own watchdog does it, if it has one.
    """
    deadline_s = asyncio.get_running_loop().time() + OFF_WITHIN_S
    why: BaseException = TimeoutError()
    while asyncio.get_running_loop().time() < deadline_s:
        try:
            async with asyncio.timeout_at(deadline_s):
                await board.safe()
            return True
        except (BenchError, TimeoutError, OSError) as error:
            why = error
        except asyncio.CancelledError:
            continue  # a loop that is torn down cancels every task, this one too; the deadline bounds it
        await _pause(deadline_s)
    notice(f"the board did not confirm that everything is off ({reason(why)}); {_then(watchdog_s)}")
    return False


def reason(error: BaseException) -> str:
    """Why something was not confirmed, in words: a deadline says nothing by itself."""
    return str(error) or "no answer"


def _then(watchdog_s: float | None) -> str:
    if watchdog_s is None:
        return "it has no watchdog: switch off its supply"
    return f"its watchdog turns everything off within {watchdog_s:.2g} s"


async def _pause(deadline_s: float) -> None:
    now_s = asyncio.get_running_loop().time()
    try:
        await asyncio.sleep(min(TRY_AGAIN_S, max(deadline_s - now_s, 0.0)))
    except asyncio.CancelledError:
        return
