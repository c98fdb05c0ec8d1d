"""Leaving a step out while it is being done; the run goes on with the next one.

As in ``bench.safety.ending``, the interruption is the standard library's ``asyncio.timeout``, fired by hand, so that
it is told apart from a real cancellation.
"""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from bench.errors import PermitDenied


class Skipped(PermitDenied):
    """A person left the step out; the message is their reason."""


class Skip:
    """Lets one other task end the step of a run."""

    def __init__(self) -> None:
        self._reason = ""
        self._open: asyncio.Timeout | None = None

    def now(self, reason: str) -> bool:
        """Leave out the step that is being done; False when none is."""
        if self._open is None:
            return False
        self._reason = f"skipped: {reason}"
        self._open.reschedule(asyncio.get_running_loop().time())
        return True

    @asynccontextmanager
    async def able(self) -> AsyncIterator[None]:
        """A step that may be left out; raises ``Skipped`` when it is."""
        interruption = asyncio.timeout(None)
        try:
            async with interruption:
                self._open = interruption
                try:
                    yield
                finally:
                    self._open = None
        except TimeoutError:
            if interruption.expired():
                raise Skipped(self._reason) from None
            raise
