"""One exchange at a time, and none cut in half.

A wire without transaction numbers has no way to tell a late answer from the next one. So the
next exchange must not begin before the last one has ended, and a caller that is cancelled must
not end one: it stops waiting, while the exchange goes on by itself to its answer or its timeout.
A caller that is cancelled before its turn has sent nothing, and nothing is sent for it.
"""

import asyncio
from collections.abc import Awaitable, Callable, Coroutine
from typing import Any, TypeVar

from bench.errors import LinkError

T = TypeVar("T")

TRIES = 3
PATIENCE_S = 0.8  # no try begins later than that: by then a board's watchdog has run out


class Turns:
    """Hands out the wire, first come first served."""

    def __init__(self) -> None:
        self._wire = asyncio.Lock()
        self._exchange: asyncio.Task[None] | None = None

    async def take(self, exchange: Callable[[], Coroutine[Any, Any, T]]) -> T:
        """Wait for the wire, then see ``exchange`` through to its end, also when cancelled meanwhile."""
        await self._wire.acquire()
        loop = asyncio.get_running_loop()
        answer: asyncio.Future[T] = loop.create_future()
        self._exchange = loop.create_task(self._see_through(exchange, answer))
        return await answer

    async def _see_through(self, exchange: Callable[[], Coroutine[Any, Any, T]], answer: asyncio.Future[T]) -> None:
        """Make the exchange; its answer is dropped when its caller is gone."""
        try:
            result = await exchange()
        except Exception as error:
            if not answer.done():
                answer.set_exception(error)
        except BaseException:  # the loop itself is ending
            answer.cancel()
            raise
        else:
            if not answer.done():
                answer.set_result(result)
        finally:
            self._wire.release()


async def try_again(connect: Callable[[], Awaitable[None]], attempt: Callable[[], Awaitable[T]]) -> T:
    """Make up to three attempts at what does no harm twice; a wire that cannot be opened ends it at once."""
    loop = asyncio.get_running_loop()
    last_begins_s = loop.time() + PATIENCE_S
    failed = 0
    while True:
        await connect()
        try:
            return await attempt()
        except LinkError:
            failed += 1
            if failed == TRIES or loop.time() > last_begins_s:
                raise
