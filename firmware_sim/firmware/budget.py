"""What a wire may still take: rolling rms current, full tries, and one try at the limit.

The firmware compares true currents here, without converter errors: an overcurrent comparator sits
before the converter, and a gain error of 2 % moves a trip by less than the wire's own margin.
"""

from collections import deque
from math import inf, log

from bench.contract.table import (
    FULL_TRIES_PER_MINUTE,
    SHORT_GROWTH,
    SHORT_RESISTANCE_OHM,
    TICK_S,
    TripReason,
)
from firmware_sim.firmware.settings import ChannelSettings

TICKS_PER_SECOND = 1000
MINUTE_S = 60
MINUTE_TICKS = MINUTE_S * TICKS_PER_SECOND
EARLY_TICKS, LATE_TICKS = 2, 18  # between them an ohmic load keeps its resistance and a filament does not
RECOVERY_TICKS = 1000  # so long below the limit, and a new try begins
LEAST_V = 1e-6


class RollingRms:
    """Heat (A²s) of the last minute in sixty buckets of one second."""

    def __init__(self) -> None:
        self._buckets: deque[list[float]] = deque()  # [second, A2s]
        self._heat_a2s = 0.0

    def add(self, tick: int, ticks: int, current_a: float) -> None:
        """Count ``current_a`` over the ``ticks`` that end at ``tick``; they lie in one second."""
        second = (tick - 1) // TICKS_PER_SECOND
        heat = current_a * current_a * ticks * TICK_S
        self._heat_a2s += heat
        if self._buckets and self._buckets[-1][0] == second:
            self._buckets[-1][1] += heat
            return
        self._forget(second)
        self._buckets.append([second, heat])

    def _forget(self, second: int) -> None:
        while self._buckets and self._buckets[0][0] <= second - MINUTE_S:
            self._heat_a2s -= self._buckets.popleft()[1]
        if not self._buckets:
            self._heat_a2s = 0.0  # rounding does not pile up

    def over(self, limit_a: float) -> bool:
        """Whether the rms current of the minute has reached ``limit_a``."""
        return self._heat_a2s >= limit_a * limit_a * MINUTE_S

    def still_over(self, tick: int, limit_a: float) -> bool:
        """As :meth:`over`, after a time without current."""
        self._forget(tick // TICKS_PER_SECOND)
        return self.over(limit_a)

    def deadline(self, tick: int, current_a: float, limit_a: float) -> int:
        """Tick at which a steady ``current_a`` must be looked at again: bucket full or limit reached."""
        bucket_full = (tick // TICKS_PER_SECOND + 1) * TICKS_PER_SECOND
        if current_a == 0:
            return bucket_full
        missing_s = (limit_a * limit_a * MINUTE_S - self._heat_a2s) / (current_a * current_a)
        return min(bucket_full, tick + max(1, -int(-missing_s // TICK_S)))


class FullTries:
    """Tries of the last minute that used all their time or energy at the limit."""

    def __init__(self) -> None:
        self._ticks: deque[int] = deque(maxlen=FULL_TRIES_PER_MINUTE)

    def add(self, tick: int) -> None:
        """A try has been used to its end."""
        self._ticks.append(tick)

    def allowed_at(self, tick: int) -> int:
        """First tick, not before ``tick``, at which another try may start."""
        if len(self._ticks) < FULL_TRIES_PER_MINUTE:
            return tick
        return max(tick, self._ticks[0] + MINUTE_TICKS)


class LimitWatch:
    """One try: time and energy at the limit, and whether its resistance is that of a short."""

    def __init__(self) -> None:
        self.time_ticks = 0
        self.energy_a2s = 0.0
        self._run_ticks = 0
        self._free_ticks = 0
        self._early_ohm = inf

    def free(self, ticks: int) -> None:
        """The current was below the limit for ``ticks``."""
        self._run_ticks = 0
        self._free_ticks += ticks
        if self._free_ticks >= RECOVERY_TICKS:
            self.time_ticks, self.energy_a2s = 0, 0.0

    def limited(self, pin_v: float, pin_a: float, settings: ChannelSettings) -> TripReason | None:
        """The current was at the limit for one tick; return why the try must end, if it must."""
        self._free_ticks = 0
        self._run_ticks += 1
        self.time_ticks += 1
        self.energy_a2s += pin_a * pin_a * TICK_S
        if self._is_short(max(pin_v, LEAST_V) / pin_a):
            return TripReason.SHORT
        if self.energy_a2s >= settings.energy_a2s:
            return TripReason.ENERGY
        if self.time_ticks >= settings.limit_ticks:
            return TripReason.LIMIT_TIME
        return None

    def _is_short(self, ohm: float) -> bool:
        if self._run_ticks == EARLY_TICKS:
            self._early_ohm = ohm
        if self._run_ticks != LATE_TICKS or ohm >= SHORT_RESISTANCE_OHM:
            return False
        return log(ohm / self._early_ohm) < SHORT_GROWTH
