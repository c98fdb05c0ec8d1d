"""Where the firmware meets the plant: what it can switch and what it can see.

The firmware owns time. It asks the plant to advance in steps of at most one tick while
anything changes, and jumps when the plant says that it is quiet.
"""

from dataclasses import dataclass
from enum import Enum
from typing import Protocol

from bench.contract.table import Return


class FeedMode(Enum):
    """What a pin is tied to besides its pull-down."""

    OFF = "off"
    PROBE = "probe"
    PULSE = "pulse"
    DRIVE = "drive"


@dataclass(frozen=True, slots=True)
class Feed:
    """One pin's feed. The limiter at ``limit_a`` is ideal (real ones: < 50 us); ``level`` 0..1 scales the voltage."""

    mode: FeedMode = FeedMode.OFF
    limit_a: float = 15.0
    level: float = 1.0


@dataclass(frozen=True, slots=True)
class Switches:
    """All switch positions at once; ``feeds[0]`` is channel 1."""

    feeds: tuple[Feed, ...]
    returns: Return = Return.BOTH
    reference: bool = False
    far: int = 0  # pins of the second socket joined, as the contract's FAR has them


@dataclass(frozen=True, slots=True)
class Truth:
    """True values at one instant, before any sensor. Voltages against the board's negative side."""

    time_s: float
    supply_v: float
    supply_a: float
    pin_v: tuple[float, ...]
    pin_a: tuple[float, ...]
    limiting: tuple[bool, ...]
    return_pin_a: float
    return_chassis_a: float
    chassis_sense_v: float
    ground_pin_v: float
    reference_a: float
    far_v: tuple[float, ...] = ()  # second socket: each channel's pin, then ground; empty when nothing is plugged in


class Plant(Protocol):
    """A harness behind the board's sockets."""

    @property
    def time_s(self) -> float:
        """Now."""

    def switch(self, switches: Switches) -> None:
        """Take new switch positions, effective at ``time_s``."""

    def advance(
        self, until_s: float, channel: int = 0, samples: int = 0
    ) -> tuple[tuple[float, ...], tuple[float, ...]]:
        """Move to ``until_s``.

        Returns:
            ``samples`` evenly spaced currents and voltages of ``channel`` (counted from 1), the
            last at ``until_s``; empty when no samples were asked for.
        """

    def truth(self) -> Truth:
        """Values now."""

    def quiet_until_s(self) -> float:
        """Nothing changes by itself before this time; ``time_s`` when something is changing now, ``inf`` when never."""

    def board_conditions(self) -> "Conditions":
        """Environment of the board now: e-stop, temperatures, forced restarts."""


@dataclass(frozen=True, slots=True)
class Conditions:
    """What happens to the board itself.

    Attributes:
        restarts: power glitches so far.
        stuck: sensor inputs that repeat their last reading (``current:3``, ``voltage:1``), for ``Sensors.hold``.
    """

    emergency_stop: bool = False
    ambient_c: float = 20.0
    board_c: float = 25.0
    restarts: int = 0
    hung: bool = False
    stuck: frozenset[str] = frozenset()
