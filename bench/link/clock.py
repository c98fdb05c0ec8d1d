"""How board time runs against the event loop's time.

On a real board a second is a second. A simulated board behind a port may run N times as fast,
or slower than asked when its computer is busy. Whoever waits for board time therefore sleeps on
the loop for what the rate so far suggests, looks at the board's clock again and sleeps the rest.

The rate comes from two readings of the board's clock, each late by an unknown part of an
exchange, milliseconds of jitter. No sleep is longer than the time between those two readings, so
the jitter makes the end of a wait late by no more than itself.
"""

from bench.contract.readings import Snapshot

LONGEST_BASELINE_S = 30.0  # a simulator's speed changes with its computer's load
SHORTEST_PAUSE_S = 0.001
STANDSTILL_S = 2.0  # a clock that shows one time for so long has stopped


class BoardClock:
    """The board's uptime, as the snapshots that pass by show it.

    Attributes:
        restarted: the board has started anew since ``begin``.
    """

    restarted: bool

    def begin(self, loop_s: float, snapshot: Snapshot) -> None:
        """Follow the board's present start, seen at ``loop_s``."""
        self.restarted = False
        self._boots = snapshot.boots
        self._base = self._recent = self._moved = self._latest = (loop_s, snapshot.uptime_s)

    def note(self, loop_s: float, snapshot: Snapshot) -> None:
        """Take in a snapshot received at ``loop_s``."""
        board_s = snapshot.uptime_s
        if snapshot.boots != self._boots or board_s < self._latest[1]:
            self.restarted = True
        if board_s != self._moved[1]:
            self._moved = (loop_s, board_s)
        if loop_s - self._recent[0] > LONGEST_BASELINE_S:
            self._base, self._recent = self._recent, (loop_s, board_s)
        self._latest = (loop_s, board_s)

    @property
    def stands_still(self) -> bool:
        """Whether the board's clock has stopped."""
        return self._latest[0] - self._moved[0] >= STANDSTILL_S

    def pause_s(self, remaining_s: float) -> float:
        """How long to sleep on the loop when ``remaining_s`` of board time are to pass."""
        observed_s = self._latest[0] - self._base[0]
        passed_s = self._latest[1] - self._base[1]
        wanted_s = remaining_s * observed_s / passed_s if passed_s > 0 else observed_s
        return max(SHORTEST_PAUSE_S, min(wanted_s, observed_s))
