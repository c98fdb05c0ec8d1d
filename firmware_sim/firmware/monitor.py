"""Wiggle monitor: extremes of every pin at 1 kS/s, and conduction lost or found on fed channels.

Conduction of a channel under a lasting probe is judged by its voltage: an open pin stands near the
supply, whatever conducts pulls it down. On a driven channel it is judged by its current, against the
current that it had when EXTREMES was taken, so that one lamp of two falling out is seen as well.
Each pair of thresholds is apart, so that noise and supply sag make no events.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from bench.contract.table import ChannelState, EventKind
from firmware_sim.firmware.channel import Channel
from firmware_sim.firmware.sensing import Log, Sensing
from firmware_sim.port import Truth

PROBE_MADE, PROBE_BROKE = 0.90, 0.95  # pin voltage as a share of the supply
DRIVE_MADE, DRIVE_BROKE = 0.90, 0.80  # current as a share of the reference
LEAST_MADE_A, LEAST_BROKE_A = 0.060, 0.030


@dataclass(slots=True)
class Watch:
    """One channel's conduction; ``conducts`` is None until its first look."""

    conducts: bool | None = None
    reference_a: float = 0.0
    changes: int = 0


class Monitor:
    """Extremes and transitions since EXTREMES."""

    def __init__(self, channels: int, log: Log) -> None:
        self._log = log
        self._watches = tuple(Watch() for _ in range(channels))
        self._low_v: Sequence[float] = ()
        self._raw: dict[tuple[int, float], int] = {}

    def reset(self, truth: Truth) -> None:
        """Start new extremes and take the present currents as references."""
        self._low_v = self._high_v = truth.pin_v
        self._low_a = self._high_a = truth.pin_a
        self._raw.clear()
        for watch, pin_a in zip(self._watches, truth.pin_a, strict=True):
            watch.reference_a, watch.changes = pin_a, 0

    def step(self, truth: Truth, active: Sequence[Channel]) -> None:
        """Take one sample."""
        if not self._low_v:
            self.reset(truth)
        pin_v, pin_a = truth.pin_v, truth.pin_a
        self._low_v = tuple(map(min, self._low_v, pin_v))
        self._high_v = tuple(map(max, self._high_v, pin_v))
        self._low_a = tuple(map(min, self._low_a, pin_a))
        self._high_a = tuple(map(max, self._high_a, pin_a))
        for channel in active:
            watch = self._watches[channel.number - 1]
            if channel.watched:
                self._look(channel, watch, truth)
            elif channel.short_watch is None:
                watch.conducts = None

    def _look(self, channel: Channel, watch: Watch, truth: Truth) -> None:
        pin_v, pin_a = truth.pin_v[channel.number - 1], truth.pin_a[channel.number - 1]
        if channel.state is ChannelState.PROBE:
            made, broke = pin_v < PROBE_MADE * truth.supply_v, pin_v > PROBE_BROKE * truth.supply_v
        else:
            made = pin_a > max(LEAST_MADE_A, DRIVE_MADE * watch.reference_a)
            broke = pin_a < max(LEAST_BROKE_A, DRIVE_BROKE * watch.reference_a)
        if watch.conducts is None:
            watch.conducts = made
        elif broke if watch.conducts else made:
            watch.conducts = not watch.conducts
            watch.changes += 1
            self._log(EventKind.MADE if watch.conducts else EventKind.BROKE, channel.number, round(pin_v * 1000))

    def changes(self, channel: Channel) -> int:
        """Transitions of a channel since EXTREMES."""
        of_short = channel.short_watch.changes if channel.short_watch else 0
        return self._watches[channel.number - 1].changes + of_short & 0xFFFF

    def block(self, sensors: Sensing) -> list[int]:
        """Raw values of the extremes block; an extreme keeps the reading it was first seen with."""
        rows: list[int] = []
        for n, extremes in enumerate(zip(self._low_v, self._high_v, self._low_a, self._high_a, strict=True)):
            for column, true in enumerate(extremes):
                convert = sensors.voltage_mv if column < 2 else sensors.current_ma
                key = (4 * n + column, true)
                if key not in self._raw:
                    self._raw[key] = convert(true, n + 1)
                rows.append(self._raw[key])
        return rows
