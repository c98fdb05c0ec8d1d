"""Capture memory filled from analogue inputs: recorded from the command on, at whole ticks.

It stands in for :class:`firmware_sim.firmware.capture.Capture` in the same memory: a board has one, and the last
command says what it holds.
"""

from bench.contract.fields import RawValue
from bench.contract.table import AIR_CAPTURE_BIT, AIR_INPUTS, CAPTURE_SAMPLES_PER_PAGE, EventKind
from firmware_sim.firmware.air import AirPlant
from firmware_sim.firmware.budget import TICKS_PER_SECOND
from firmware_sim.firmware.channel import NEVER
from firmware_sim.firmware.sensing import Log


class AirCapture:
    """One capture of the inputs in ``mask``, bit 0 for input 1; a sample is due at the tick nearest to its time."""

    waiting = False  # for no channel's switch-on
    asks_for = (0, 0)  # nothing of the harness

    def __init__(self, air: AirPlant, log: Log, mask: int, rate_hz: int, samples: int, uptime_us: int) -> None:
        self.channel = AIR_CAPTURE_BIT | mask
        self._air, self._log = air, log
        self._inputs = tuple(n + 1 for n in range(AIR_INPUTS) if mask >> n & 1)
        self._rate_hz, self._wanted = rate_hz, samples
        self._started_us = uptime_us
        self._values: list[int] = []

    @property
    def recording(self) -> bool:
        """Whether samples are still to come."""
        return not self.done

    @property
    def done(self) -> bool:
        """Whether all samples asked for are there."""
        return len(self._values) == self._wanted

    def begin(self, tick: int) -> None:
        """Take the first sample of every input, now."""
        self._first_tick = tick
        self.look(tick)

    def due(self) -> int:
        """Tick of the next sample."""
        if self.done:
            return NEVER
        turn = len(self._values) // len(self._inputs)
        return self._first_tick + round(turn * TICKS_PER_SECOND / self._rate_hz)

    def look(self, tick: int) -> None:
        """Take a sample of every input when one is due."""
        if tick < self.due():
            return
        self._values += self._air.samples(self._inputs)
        if self.done:
            self._log(EventKind.CAPTURE_DONE, self.channel, len(self._values))

    def block(self) -> tuple[RawValue, ...]:
        """Raw values of the capture block."""
        return (self.channel, self._rate_hz, len(self._values), int(self.done), self._started_us)

    def page(self, number: int) -> tuple[int, ...]:
        """Raw values of a capture page: of each value the high word, then the low word, as the page's row is signed."""
        held = self._values[number * CAPTURE_SAMPLES_PER_PAGE :][:CAPTURE_SAMPLES_PER_PAGE]
        held += [0] * (CAPTURE_SAMPLES_PER_PAGE - len(held))
        return (number, *(word for value in held for word in (value >> 16, _signed(value & 0xFFFF))))


def _signed(word: int) -> int:
    return word - 0x10000 if word & 0x8000 else word
