"""What a trailer's ABS unit is told and says by its warning lamp. Counts, times and meanings are its maker's."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

KeyingWay = Literal["interrupt-supply", "pulse-stop", "pulse-supply-with-stop"]


@dataclass(frozen=True, slots=True)
class Keying:
    """How the unit is asked for its codes.

    Attributes:
        way: the supply is interrupted; or it stays on while the stop circuit is pulsed; or the stop circuit
            stays on while the supply is pulsed.
        count: interruptions or pulses.
        on_s, off_s: of each.
        wait_s: after the last one; what is lit before is no code.
    """

    way: KeyingWay = "interrupt-supply"
    count: int = 3
    on_s: float = 1.0
    off_s: float = 1.0
    wait_s: float = 3.0


@dataclass(frozen=True, slots=True)
class AbsCodes:
    """Blink codes of one ABS unit.

    Attributes:
        digits: in a code.
        watch_s: how long blinks are recorded.
        meanings: code (``2-3``) to what it means, as the user supplies it.
    """

    keying: Keying = field(default_factory=Keying)
    digits: int = 2
    watch_s: float = 40.0
    meanings: Mapping[str, str] = field(default_factory=dict)
