"""WIGGLE's judgement: is the wire under exercise still shorted?

A pulse is short when it stays at the limit with a resistance below the short threshold that does not
grow during the pulse. A lamp's cold filament behind a cleared short also pulls the pulse to its limit,
but it grows, or it has at least twice the resistance of the shortest pulse seen.
"""

from math import inf, log

from bench.contract.table import SHORT_GROWTH, SHORT_RESISTANCE_OHM, EventKind
from firmware_sim.firmware.sensing import Log

EARLY_TICKS = 2
CLEARED_FACTOR = 2.0
PROBED_OPEN_V = 1.0  # at 12 mA that is 80 ohm: nobody's short
PROBE_SETTLE_TICKS = 2  # the pulse's charge is gone from the lamps' input capacitors
LEAST_V = 1e-6


class ShortWatch:
    """Watches the pulses and probes of one exercise of ``channel``; logs when a short clears or comes back."""

    def __init__(self, channel: int, log_event: Log) -> None:
        self._channel = channel
        self._log = log_event
        self._shorted = False
        self._pulse: list[float] = []  # ohm of each tick at the limit
        self._limited = False
        self._pin_v = 0.0
        self._least_ohm = inf

    def begin_pulse(self) -> None:
        """A current pulse begins."""
        self._pulse.clear()

    def pulsed(self, pin_v: float, pin_a: float, limiting: bool) -> None:
        """One tick of a pulse."""
        self._limited, self._pin_v = limiting, pin_v
        if limiting:
            self._pulse.append(max(pin_v, LEAST_V) / pin_a)

    def end_pulse(self) -> None:
        """The pulse is over: judge it."""
        shorted = self._limited and self._is_short()
        if shorted:
            self._least_ohm = min(self._least_ohm, self._pulse[-1])
        self._tell(shorted, self._pin_v)

    def probed(self, pin_v: float, ticks: int) -> None:
        """One look through the probe resistor, ``ticks`` after the last pulse."""
        if pin_v > PROBED_OPEN_V and ticks >= PROBE_SETTLE_TICKS:
            self._tell(False, pin_v)

    def _is_short(self) -> bool:
        ohm = self._pulse[-1]
        early_ohm = self._pulse[min(EARLY_TICKS, len(self._pulse)) - 1]
        grows = log(ohm / early_ohm) >= SHORT_GROWTH
        return ohm < SHORT_RESISTANCE_OHM and not grows and ohm < CLEARED_FACTOR * self._least_ohm

    def _tell(self, shorted: bool, pin_v: float) -> None:
        if shorted == self._shorted:
            return
        self._shorted = shorted
        kind = EventKind.MADE if shorted else EventKind.SHORT_CLEARED
        self._log(kind, self._channel, round(pin_v * 1000))
