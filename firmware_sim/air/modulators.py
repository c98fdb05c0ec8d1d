"""ABS modulators: when their control unit wakes up, it exercises each in turn.

The coupling to the harness is one number: the voltage at the pin of the circuit that feeds them. Above the wake
threshold for the start-up time, modulator 1 lets air out of its chambers for one pulse, then modulator 2, and so
on; the same happens again after the voltage has been away. Modulator k serves every ``count``-th wheel end. All
figures are common practice, no source.
"""

from dataclasses import dataclass

WAKE_SHARE = 0.7  # of the nominal voltage
START_UP_S = 0.5
SPACING_S = 0.5
PULSE_S = 0.04


@dataclass(frozen=True, slots=True)
class Pulse:
    """Modulator ``number`` (from 0) open from ``start_s`` to ``end_s``."""

    number: int
    start_s: float
    end_s: float


class Modulators:
    """The control unit's exercise; only moves forward."""

    def __init__(self, count: int, wheel_ends: int, nominal_v: float) -> None:
        self._count, self._wheel_ends = count, wheel_ends
        self._wake_v = WAKE_SHARE * nominal_v
        self._awake = False
        self._pulses: tuple[Pulse, ...] = ()

    def see(self, volts: float, time_s: float) -> bool:
        """Note the supply voltage now; return whether pulses were planned or dropped."""
        awake = volts > self._wake_v
        if awake == self._awake:
            return False
        self._awake = awake
        first_s = time_s + START_UP_S
        starts = [(k, first_s + k * SPACING_S) for k in range(self._count)] if awake else []
        self._pulses = tuple(Pulse(k, start_s, start_s + PULSE_S) for k, start_s in starts)
        return True

    def times_s(self) -> list[float]:
        """Begins and ends of the planned pulses."""
        return [time_s for pulse in self._pulses for time_s in (pulse.start_s, pulse.end_s)]

    def pulsed(self, time_s: float) -> frozenset[int]:
        """Positions of the wheel ends whose air is let out now."""
        now = [pulse.number for pulse in self._pulses if pulse.start_s <= time_s < pulse.end_s]
        return frozenset(range(now[0], self._wheel_ends, self._count)) if now else frozenset()
