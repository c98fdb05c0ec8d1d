"""The host: who holds the claim, whether it is alive, and what it said last."""

from bench.contract.table import Refusal
from firmware_sim.firmware.settings import DEFAULT_WATCHDOG_TICKS


class Host:
    """Claim and watchdog. Only KICK feeds the watchdog; any other traffic proves nothing about the controller."""

    def __init__(self) -> None:
        self.key = 0  # 0: nobody
        self.watchdog_ticks = DEFAULT_WATCHDOG_TICKS
        self.watching = False
        self.silent = False  # from the watchdog's end until the next KICK
        self._kicked_at = 0

    def claim(self, key: int) -> Refusal:
        """Take the claim unless a live controller has it."""
        if key == 0:
            return Refusal.BAD_VALUE
        if self.key not in (0, key) and self.watching:
            return Refusal.HELD_BY_ANOTHER
        self.key = key
        return Refusal.NONE

    def judge(self, key: int) -> Refusal:
        """Whether the holder of ``key`` may command."""
        if self.key == 0:
            return Refusal.NOT_CLAIMED
        return Refusal.NONE if key == self.key else Refusal.HELD_BY_ANOTHER

    def release(self) -> None:
        """Nobody holds the board, and nobody has to be alive."""
        self.key = 0
        self.watching = False

    def kick(self, tick: int) -> None:
        """A sign of life."""
        self.watching, self.silent = True, False
        self._kicked_at = tick

    def deadline(self, tick: int) -> int:
        """Tick at which the watchdog runs out; far away while it is not running."""
        return self._kicked_at + self.watchdog_ticks if self.watching else tick + (1 << 60)

    def look(self, tick: int) -> bool:
        """Whether the host is silent now."""
        if self.watching and tick - self._kicked_at >= self.watchdog_ticks:
            self.watching, self.silent = False, True
        return self.silent
