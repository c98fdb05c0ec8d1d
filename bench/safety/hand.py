"""Whoever holds the control while air moves something: a session by itself, or a person's hand on a button."""

from typing import Protocol

from bench.safety.interlock import Stage


class Hand(Protocol):
    """A person who holds; nothing moves before they do, and the interlock ends what they let go of."""

    async def taken(self, stage: Stage) -> None:
        """Wait until somebody holds the control for ``stage``, told by ``AirGuard.hold`` again and again."""
