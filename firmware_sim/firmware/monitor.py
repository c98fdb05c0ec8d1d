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
    """One channel's conduction; ``spell`` is what it was last looked at in."""

    conducts: bool = False
    spell: object = None
    made_a: float = LEAST_MADE_A
    broke_a: float = LEAST_BROKE_A
    changes: int = 0


class Monitor:
    """Extremes and transitions since EXTREMES."""

    def __init__(self, truth: Truth, log: Log) -> None:
        self._log = log
        self._watches = tuple(Watch() for _ in truth.pin_v)
        self._raw: dict[tuple[int, float], int] = {}
        self.reset(truth)

    def reset(self, truth: Truth) -> None:
        """Start new extremes and take the present currents as references."""
        self._low_v = self._high_v = truth.pin_v
        self._low_a = self._high_a = truth.pin_a
        self._raw.clear()
        for watch, pin_a in zip(self._watches, truth.pin_a, strict=True):
            watch.made_a, watch.broke_a = max(LEAST_MADE_A, DRIVE_MADE * pin_a), max(LEAST_BROKE_A, DRIVE_BROKE * pin_a)
            watch.changes = 0

    def step(self, truth: Truth, active: Sequence[Channel]) -> None:
        """Take one sample."""
        pin_v, pin_a = truth.pin_v, truth.pin_a
        self._low_v = tuple(map(min, self._low_v, pin_v))
        self._high_v = tuple(map(max, self._high_v, pin_v))
        self._low_a = tuple(map(min, self._low_a, pin_a))
        self._high_a = tuple(map(max, self._high_a, pin_a))
        for channel in active:
            if channel.watched:
                self._look(channel, self._watches[channel.number - 1], truth)

    def _look(self, channel: Channel, watch: Watch, truth: Truth) -> None:
        pin_v, pin_a = truth.pin_v[channel.number - 1], truth.pin_a[channel.number - 1]
        if channel.state is ChannelState.PROBE:
            made, broke = pin_v < PROBE_MADE * truth.supply_v, pin_v > PROBE_BROKE * truth.supply_v
        else:
            made, broke = pin_a > watch.made_a, pin_a < watch.broke_a
        if watch.spell != channel.spell:
            watch.spell, watch.conducts = channel.spell, made
        elif broke if watch.conducts else made:
            watch.conducts = not watch.conducts
            self._log(EventKind.MADE if watch.conducts else EventKind.BROKE, channel.number, round(pin_v * 1000))

    def count(self, number: int) -> None:
        """A transition of channel ``number`` has been logged, by this monitor or by WIGGLE."""
        self._watches[number - 1].changes += 1

    def changes(self, number: int) -> int:
        """Transitions of channel ``number`` since EXTREMES."""
        return self._watches[number - 1].changes & 0xFFFF

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
            at = 4 * n  # the noise of two readings of one value must not turn them round
            rows[at : at + 2], rows[at + 2 : at + 4] = sorted(rows[at : at + 2]), sorted(rows[at + 2 : at + 4])
        return rows
