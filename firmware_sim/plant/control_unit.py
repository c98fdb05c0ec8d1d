"""State of an electronic control unit (ABS): lock-out, start burst, warning lamp, blink codes.

The unit takes constant power while it runs. It starts above its lock-out voltage and stops
a little below it, not to try again for a moment, so behind a probe resistor it is bistable and
may hiccup. After each start it draws a
burst, lights the lamp for a bulb check, and puts it out if it knows of no fault. With a
stored code the lamp stays lit; switching the supply off and on quickly several times makes
the unit blink the code instead. Times are assumptions: no rule sets them.
"""

from dataclasses import dataclass
from itertools import chain
from math import inf

from bench.profiles.model import ControlUnit as ControlUnitType

HYSTERESIS = 0.06  # of the lock-out voltage
RESTART_S = 0.1  # after a stop it does not start sooner
BURST_S = 0.15
BURST_FACTOR = 1.6
BULB_CHECK_S = 2.5
KEY_STARTS = 3  # starts that ask for the codes, each sooner than KEY_GAP_S after the one before
KEY_GAP_S = 4.0
CODE_WAIT_S = 4.0  # from the last of those starts to the first blink
BLINK_S = 0.35
DIGIT_GAP_S = 1.4
CODE_GAP_S = 4.0
CODE_REPEATS = 3


@dataclass(frozen=True, slots=True)
class LampChange:
    """The lamp is ``lit`` from ``after_s`` after the start."""

    after_s: float
    lit: bool


def lamp_plan(code: str, *, keyed: bool) -> tuple[LampChange, ...]:
    """What the lamp does after a start: bulb check, then off, lit for good, or the blink code."""
    if not code:
        return (LampChange(0.0, lit=True), LampChange(BULB_CHECK_S, lit=False))
    if not keyed:
        return (LampChange(0.0, lit=True),)
    return (LampChange(0.0, lit=False), *_blinks(code), LampChange(_code_s(code), lit=True))


def _code_s(code: str) -> float:
    blinks = CODE_WAIT_S + CODE_REPEATS * (sum(map(int, code)) * 2 * BLINK_S + len(code) * DIGIT_GAP_S)
    return blinks + CODE_REPEATS * CODE_GAP_S


def _blinks(code: str) -> tuple[LampChange, ...]:
    changes: list[LampChange] = []
    now_s = CODE_WAIT_S
    for digit in chain.from_iterable((*code, "") for _ in range(CODE_REPEATS)):
        for _ in range(int(digit or 0)):
            changes += (LampChange(now_s, lit=True), LampChange(now_s + BLINK_S, lit=False))
            now_s += 2 * BLINK_S
        now_s += DIGIT_GAP_S if digit else CODE_GAP_S
    return tuple(changes)


class ControlUnit:
    """One unit's discrete state. Electrically it is ``power_w`` above and ``lamp_a`` beside its leak."""

    def __init__(self) -> None:
        self.running = False
        self.power_w = 0.0
        self.lamp_a = 0.0
        self.next_s = inf
        self._type = ControlUnitType(0.0, 0.0)
        self._code = ""
        self._lamp_dead = False
        self._started_s = -inf
        self._rests_until_s = -inf
        self._quick_starts = 0
        self._plan: tuple[LampChange, ...] = ()

    def configure(self, load: ControlUnitType, *, code: str, lamp_dead: bool, time_s: float) -> None:
        """Take the load's parameters and its fault memory, which may change while it runs."""
        if code != self._code:
            self._code = code
            self._plan = lamp_plan(code, keyed=False)
        self._type = load
        self._lamp_dead = lamp_dead
        self.advance(time_s)

    @property
    def stop_v(self) -> float:
        """Below this it stops."""
        return self._type.lockout_v * (1 - HYSTERESIS)

    @property
    def threshold_v(self) -> float:
        """The voltage that it is sensitive to now: lock-out when stopped, a little less when running."""
        return self.stop_v if self.running else self._type.lockout_v

    def wants_switch(self, volts: float, time_s: float) -> bool:
        """Whether ``volts`` makes it start or stop at ``time_s``."""
        if self.running:
            return volts < self.stop_v
        return volts > self._type.lockout_v and time_s >= self._rests_until_s

    def switch(self, time_s: float) -> None:
        """Start or stop now."""
        self.running = not self.running
        if self.running:
            quick = time_s - self._started_s < KEY_GAP_S
            self._quick_starts = self._quick_starts + 1 if quick else 1
            self._started_s = time_s
            self._plan = lamp_plan(self._code, keyed=self._quick_starts >= KEY_STARTS)
        else:
            self._rests_until_s = time_s + RESTART_S
        self.advance(time_s)

    def advance(self, time_s: float) -> None:
        """Bring burst and lamp to what they are at ``time_s`` and find the next change."""
        if not self.running:
            self.power_w, self.lamp_a = 0.0, 0.0
            self.next_s = self._rests_until_s if time_s < self._rests_until_s else inf
            return
        burst_end_s = self._started_s + BURST_S
        self.power_w = self._type.power_w * (BURST_FACTOR if time_s < burst_end_s else 1.0)
        changes = [(self._started_s + change.after_s, change.lit) for change in self._plan]
        lit = [is_lit for at_s, is_lit in changes if at_s <= time_s]
        self.lamp_a = self._type.lamp_a if lit and lit[-1] and not self._lamp_dead else 0.0
        coming = [at_s for at_s in (burst_end_s, *(at_s for at_s, _ in changes)) if at_s > time_s]
        self.next_s = min(coming, default=inf)
