"""Capture memory: one channel's current and voltage from its switch-on.

The plant is asked for the smallest whole number of samples a tick that contains the wanted rate;
a rate that divides none takes the nearest of ten a tick, so that no sample is off by more than 50 us.
"""

from bench.contract.fields import RawValue
from bench.contract.table import CAPTURE_SAMPLES_PER_PAGE, EventKind
from firmware_sim.firmware.budget import TICKS_PER_SECOND
from firmware_sim.firmware.channel import NEVER
from firmware_sim.firmware.sensing import Log, Sensing
from firmware_sim.port import Truth

FASTEST_HZ = 10_000
LONGEST_SAMPLES = 4096
_PER_TICK = (1, 2, 4, 5, 8, 10)


def samples_per_tick(rate_hz: int) -> int:
    """How many plant samples a tick serve ``rate_hz``."""
    for per_tick in _PER_TICK:
        if per_tick * TICKS_PER_SECOND % rate_hz == 0:
            return per_tick
    return _PER_TICK[-1]


class Capture:
    """One capture: waiting for its channel's next switch-on, recording, or done. Channel 0: nothing asked for."""

    def __init__(self, sensors: Sensing, log: Log, channel: int = 0, rate_hz: int = 0, samples: int = 0) -> None:
        self.channel = channel
        self.waiting = channel > 0
        self.recording = False
        self.per_tick = samples_per_tick(rate_hz) if rate_hz else 1
        self._sensors = sensors
        self._log = log
        self._rate_hz = rate_hz
        self._wanted = samples
        self._taken = 0  # plant samples since the switch-on
        self._started_us = 0
        self._true: list[tuple[float, float]] = []
        self._raw: list[tuple[int, int]] = []

    @property
    def asks_for(self) -> tuple[int, int]:
        """Channel and number of samples the plant is asked for in a tick; zeros when nothing is recorded."""
        return (self.channel, self.per_tick) if self.recording else (0, 0)

    @property
    def done(self) -> bool:
        """Whether all samples asked for are there."""
        return 0 < self._wanted == len(self._true)

    def due(self) -> int:
        """Tick of the next sample: at once while it records."""
        return 0 if self.recording else NEVER

    def look(self, tick: int) -> None:
        """Nothing is read between the plant's own samples."""

    def start(self, uptime_us: int, truth: Truth) -> None:
        """The channel has just been switched on; ``truth`` is the first sample."""
        self.waiting, self.recording = False, True
        self._started_us = uptime_us
        self._true.append((truth.pin_a[self.channel - 1], truth.pin_v[self.channel - 1]))

    def take(self, currents_a: tuple[float, ...], voltages_v: tuple[float, ...]) -> None:
        """Take the plant's samples of one tick."""
        base_hz = self.per_tick * TICKS_PER_SECOND
        for sample in zip(currents_a, voltages_v, strict=True):
            self._taken += 1
            wanted_at = round(len(self._true) * base_hz / self._rate_hz)
            if self._taken == wanted_at and not self.done:
                self._true.append(sample)
        if self.done:
            self.recording = False
            self._log(EventKind.CAPTURE_DONE, self.channel, len(self._true))

    def block(self) -> tuple[RawValue, ...]:
        """Raw values of the capture block."""
        return (self.channel, self._rate_hz, len(self._true), int(self.done), self._started_us)

    def page(self, number: int) -> tuple[int, ...]:
        """Raw values of a capture page."""
        self._convert()
        rows = self._raw[number * CAPTURE_SAMPLES_PER_PAGE :][:CAPTURE_SAMPLES_PER_PAGE]
        padding = [(0, 0)] * (CAPTURE_SAMPLES_PER_PAGE - len(rows))
        return (number, *(value for row in (*rows, *padding) for value in row))

    def _convert(self) -> None:
        # Late, so that recording costs little; once, so that a page reads the same twice.
        for current_a, voltage_v in self._true[len(self._raw) :]:
            self._raw.append(
                (self._sensors.current_ma(current_a, self.channel), self._sensors.voltage_mv(voltage_v, self.channel))
            )
