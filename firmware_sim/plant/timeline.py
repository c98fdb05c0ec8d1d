"""When a fault is there: from, until, and chatter drawn ahead of time.

Chatter is a random telegraph signal: exponential holding times, equal in both states, that
make ``chatter_hz`` full comes-and-goes a second on average. It begins with the fault present.
"""

from math import inf
from random import Random


class Timeline:
    """Presence of one fault along plant time; only moves forward."""

    def __init__(self, at_s: float, until_s: float | None, chatter_hz: float | None, rng: Random) -> None:
        self._until_s = inf if until_s is None else until_s
        self._rate_hz = 2 * chatter_hz if chatter_hz else 0.0
        self._rng = rng
        self.active = False
        self.begun = 0  # how many times it has come
        self.next_s = at_s if at_s < self._until_s else inf
        self.advance(0.0)

    def advance(self, time_s: float) -> bool:
        """Move to ``time_s``; return whether anything changed on the way."""
        changed = False
        while self.next_s <= time_s:
            changed = True
            self._flip()
        return changed

    def _flip(self) -> None:
        now_s = self.next_s
        self.active = not self.active and now_s < self._until_s
        self.begun += self.active
        if now_s >= self._until_s:
            self.next_s = inf
            return
        hold_s = self._rng.expovariate(self._rate_hz) if self._rate_hz else inf
        self.next_s = min(now_s + hold_s, self._until_s)
